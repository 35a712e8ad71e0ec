"""Compares the judge's statistics with SciPy's, and with second implementations in NumPy, over random cases."""
import subprocess
import sys

import numpy as np
import scipy
from scipy import optimize, stats

JUDGE, CATCH = sys.argv[1:3]
N = 300
random = np.random.default_rng(20261001)
failed = False


def lines(program, text):
    out = subprocess.run([program], input="\n".join(text) + "\n", capture_output=True, text=True, check=True).stdout
    numbers = [[float(word) for word in line.split()] for line in out.splitlines()]
    assert len(numbers) == len(text), f"{program}: {len(numbers)} answers to {len(text)} cases"
    return np.array(numbers)


def ask(name, cases):
    return lines(JUDGE, [f"{name} {len(v)} " + " ".join(f"{x:.17g}" for x in v) for v in cases])


def ask_catch(name, cases):
    return lines(CATCH, [f"{name} {a:.17g} {b:.17g}" for a, b in cases])[:, 0]


def report(what, got, expected, most=1e-7):
    """Largest difference, relative where the figures are large."""
    global failed
    got, expected = np.asarray(got, float), np.asarray(expected, float)
    off = np.abs(got - expected) / np.maximum(1, np.abs(expected))
    ok = got.shape == expected.shape and bool(np.all(off <= most))
    print(f"{what:60s} {len(got):4d} cases, furthest off {off.max():.2g}, allowed {most:g}{'' if ok else '  WRONG'}")
    failed |= not ok


def flat(*columns):
    return np.column_stack(columns).ravel()


def weeks(traps, uneven, mean):
    """Passes of a week: negative binomial, as insect counts are."""
    return random.poisson(mean * 7 * random.gamma(1 / uneven, uneven, traps))


# ---- robust lines and spreads ----

lines_of = []
for i in range(N):
    m = random.integers(3, 41)
    x = random.integers(0, 10, m) + np.r_[0, 10, np.zeros(m - 2)] if i % 3 == 0 else random.uniform(0, 50, m)
    lines_of.append((x, 2 * x + random.standard_t(2, m)))
fits = [stats.theilslopes(y, x)[:2] for x, y in lines_of]
report("Theil-Sen slope and intercept (scipy.stats.theilslopes)", ask("theil", [flat(x, y) for x, y in lines_of]), fits)

samples = [(random.uniform(), random.standard_t(2, random.integers(1, 60))) for _ in range(N)]
report("quantile (numpy) and median deviation (scipy.stats)", ask("spread", [np.r_[p, x] for p, x in samples]),
       [(np.quantile(x, p), 1.4826 * stats.median_abs_deviation(x)) for p, x in samples])

# ---- distributions ----

p, df = random.uniform(0.001, 0.999, N), np.exp(random.uniform(0, 6, N))
report("Student's t (scipy.stats.t)", ask_catch("student", zip(p, df)), stats.t.ppf(p, df))
shape = np.exp(random.uniform(-2, 7, N))
report("gamma (scipy.stats.gamma)", ask_catch("gamma", zip(p, shape)), stats.gamma.ppf(p, shape))
report("normal (scipy.stats.norm)", ask_catch("normal", zip(p, p)), stats.norm.ppf(p))
a, b = np.exp(random.uniform(-2, 6, N)), np.exp(random.uniform(-2, 6, N))
report("beta (scipy.stats.beta)", ask_catch("beta", zip(a, b)), stats.beta.cdf(0.37, a, b))

# ---- limits of counts and of shares ----

count = random.poisson(np.exp(random.uniform(-1, 7, N)))
report("Poisson limits, lower (Garwood 1936; scipy.stats.chi2)", ask_catch("poisson", [(c, 0) for c in count]),
       np.where(count > 0, stats.chi2.ppf(0.025, 2 * np.maximum(count, 1)) / 2, 0))
report("Poisson limits, upper (Garwood 1936; scipy.stats.chi2)", ask_catch("poisson", [(c, 1) for c in count]),
       stats.chi2.ppf(0.975, 2 * count + 2) / 2)


def wilson(damaged, looked):
    return stats.binomtest(int(damaged), int(looked)).proportion_ci(method="wilson")


shares = []
for _ in range(N):
    looked = random.integers(1, 400)
    shares.append((random.binomial(looked, random.beta(0.6, 2)), looked))
report("Wilson limits (scipy.stats.binomtest)", ask_catch("wilson", shares),
       [w.low + 1000 * w.high for w in (wilson(*case) for case in shares)])


def newcombe(a, b):
    """Method 10 of Newcombe 1998, Statistics in Medicine 17:873, from two Wilson limits."""
    p, q, u, v = a[1] / a[0], b[1] / b[0], wilson(a[1], a[0]), wilson(b[1], b[0])
    return (p - q - np.hypot(p - u.low, v.high - q), p - q + np.hypot(u.high - p, q - v.low))


pairs = [((shares[i][1], shares[i][0]), (shares[i - 1][1], shares[i - 1][0])) for i in range(N)]
report("difference of two shares (Newcombe, Wilson of SciPy)", ask("difference", [np.r_[x, y] for x, y in pairs]),
       [newcombe(x, y) for x, y in pairs])


def clustered(looked, damaged):
    """Variance of a ratio of totals (Cochran 1977, 6.4) over the binomial one, at least 1 (Kish 1965, 8.2)."""
    share = damaged.sum() / looked.sum()
    simple = share * (1 - share) * looked.sum()
    effect = max(1, len(looked) * np.var(damaged - share * looked, ddof=1) / simple) if simple > 0 else 1
    # Wilson's limits are the shares whose score test just fails.
    z, m, hits = stats.norm.ppf(0.975), looked.sum() / effect, damaged.sum() / effect
    score = lambda p: (share - p) ** 2 - z * z * p * (1 - p) / m
    low = optimize.brentq(score, 0, share, xtol=1e-14) if hits > 0 else 0
    return effect, low, optimize.brentq(score, share, 1, xtol=1e-14) if share < 1 else 1


places = []
for _ in range(N):
    looked = random.integers(5, 60, random.integers(2, 30))
    places.append((looked, random.binomial(looked, random.beta(0.8, 3, len(looked)))))
report("damage by places: design effect, limits (scipy.optimize)", ask("places", [flat(*case) for case in places]),
       [clustered(*case) for case in places])

# ---- blocks ----


def negative_binomial(passes, days, uneven):
    """The means for which the total is just as far out as 2.5 % allow, by scipy.stats.nbinom."""
    total, size = passes.sum(), days.sum() ** 2 / (days ** 2).sum() / uneven
    chance = lambda log_mean: size / (size + np.exp(log_mean))
    above = lambda m: stats.nbinom.cdf(total, size, chance(m)) - 0.025
    below = lambda m: stats.nbinom.sf(total - 1, size, chance(m)) - 0.025
    with np.errstate(divide="ignore"):
        low = np.exp(optimize.brentq(below, -9, 14, xtol=1e-13)) if total > 0 else 0
        high = np.exp(optimize.brentq(above, -9, 14, xtol=1e-13))
    return low / days.sum(), high / days.sum()


blocks = []
for _ in range(N):
    traps, uneven = random.integers(6, 60), random.uniform(0.1, 2)
    blocks.append((uneven, weeks(traps, uneven, np.exp(random.uniform(-3, 2))), random.uniform(3, 7, traps)))
report("interval of a block's catch (scipy.stats.nbinom)",
       ask("interval", [np.r_[u, 0, flat(passes, days)] for u, passes, days in blocks]),
       [negative_binomial(passes, days, u) for u, passes, days in blocks])


def changed(flight, spread, last, last_days, now, now_days):
    """Ratio of paired totals with its linearised variance (Cochran 1977, 6.4) and Student's t."""
    before, n = last * now_days / last_days, len(last)
    ratio = now.sum() / before.sum()
    error = np.sqrt(n * np.var(now - ratio * before, ddof=1)) / now.sum()
    reach = np.hypot(stats.t.ppf(0.975, n - 1) * error, stats.norm.ppf(0.975) * spread * np.sqrt(2))
    return np.array([1, np.exp(-reach), np.exp(reach)]) * ratio / flight


pairs = []
for _ in range(N):
    traps, uneven = random.integers(6, 45), random.uniform(0.1, 1)
    last, now = weeks(traps, uneven, 3), weeks(traps, uneven, 4)
    pairs.append((random.uniform(0.5, 2), random.uniform(0, 0.4), last, random.uniform(3, 7, traps), now,
                  random.uniform(3, 7, traps)))
report("change from week to week (scipy.stats.t)",
       ask("change", [np.r_[f, s, flat(*rest)] for f, s, *rest in pairs]), [changed(*case) for case in pairs])


def calibrated(passes, found):
    """Ratio of totals, its relative error (Cochran 1977, 6.4), and the spread of ratios beyond chance over their mean."""
    ratio = found.sum() / passes.sum()
    off, n = found - ratio * passes, len(passes)
    error = np.sqrt(n * np.var(off, ddof=1)) / found.sum()
    return ratio, error, max(0, (np.sum(off ** 2) - found.sum()) / np.sum(passes.astype(float) ** 2)) / ratio


hand = []
for _ in range(N):
    passes = random.integers(5, 200, random.integers(6, 40))
    hand.append((passes, 10 + random.poisson(passes * 0.6 * random.gamma(4, 1 / 4, len(passes)))))
report("calibration: ratio, error, spread of ratios (numpy)", ask("calibrate", [flat(*case) for case in hand]),
       [calibrated(*case) for case in hand])


def turned(passes, side):
    """The share of turnings and turnings-over of the ring that lift some side as much, with and without the hottest."""
    roots = np.sqrt(passes / 7)

    def lifts(rates):
        best = []
        for ring in (rates, rates[::-1]):
            for turn in range(len(ring)):
                here = np.roll(ring, -turn)
                means = [np.nanmean(here[side == s]) if np.sum(~np.isnan(here[side == s])) >= 3 else -np.inf
                         for s in range(4)]
                best.append((max(means) / np.nanmean(here), int(np.argmax(means))))
        return best

    def chance(best):
        return np.mean([lift >= best[0][0] - 1e-12 for lift, _ in best])

    whole = lifts(roots)
    cooler = roots.copy()
    cooler[np.argmax(roots)] = np.nan
    return max(chance(whole), chance(lifts(cooler))), whole[0][1], whole[0][0]


rings = []
for i in range(60):
    traps = random.integers(20, 60)
    side = np.sort(random.integers(0, 4, traps))
    rings.append((random.poisson(20 * random.gamma(3, 1 / 3, traps) * np.where(side == 1, 1 + i % 4, 1)), side))
report("leading side: chance, side, share (turned in numpy)", ask("leading", [flat(*case) for case in rings]),
       [turned(*case) for case in rings])

print(f"SciPy {scipy.__version__}, NumPy {np.__version__}")
sys.exit(failed)
