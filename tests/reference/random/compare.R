# Compares the product's arithmetic with R's, and with second implementations written here from the published equations.
program <- commandArgs(trailingOnly = TRUE)[1]
set.seed(20260901)
n <- 300
failed <- FALSE

ask <- function(name, cases) {
  input <- vapply(cases, function(v) paste(name, length(v), paste(sprintf("%.17g", v), collapse = " ")), "")
  out <- system2(program, input = input, stdout = TRUE)
  stopifnot(length(out) == length(cases))
  t(vapply(strsplit(out, " "), as.numeric, numeric(2)))
}

report <- function(what, off, most, unit) {
  cat(sprintf("%-46s %4d cases, furthest off %.3g%s, allowed %.3g\n", what, length(off), max(off), unit, most))
  if (!all(off <= most)) failed <<- TRUE
}

relative <- function(got, expected) abs(got - expected) / pmax(1e-9, abs(expected))

# Theil-Sen: Sen 1968, JASA 63:1379; median of the slopes of all pairs, intercept median(y) - slope median(x).
cases <- lapply(seq_len(n), function(i) {
  m <- sample(3:40, 1)
  x <- if (i %% 3 == 0) sample(0:9, m, TRUE) + c(0, 10, rep(0, m - 2)) else runif(m, 0, 50)
  as.vector(rbind(x, 2 * x + rt(m, 2)))
})
sen <- t(vapply(cases, function(v) {
  x <- v[c(TRUE, FALSE)]; y <- v[c(FALSE, TRUE)]
  p <- combn(length(x), 2)
  dx <- x[p[2, ]] - x[p[1, ]]; dy <- y[p[2, ]] - y[p[1, ]]
  slope <- median((dy / dx)[dx != 0])
  c(slope, median(y) - slope * median(x))
}, numeric(2)))
report("Theil-Sen slope and intercept (R)", abs(ask("theil", cases) - sen), 1e-9, "")

# Degree-days, single sine (Baskerville and Emin 1969): the area itself, integrated by R.
cases <- lapply(seq_len(n), function(i) {
  least <- runif(1, -5, 30); low <- runif(1, 0, 25)
  c(least, least + runif(1, 0.1, 25), low, low + runif(1, 1, 25))
})
area <- vapply(cases, function(v) {
  wave <- function(t) pmin(pmax((v[1] + v[2]) / 2 + (v[2] - v[1]) / 2 * sin(2 * pi * t), v[3]), v[4]) - v[3]
  # Piece by piece, so that corners do not hide between nodes.
  sum(vapply(0:63, function(k) integrate(wave, k / 64, (k + 1) / 64, rel.tol = 1e-9)$value, 0))
}, 0)
report("degree-days (integrated by R)", abs(ask("degrees", cases)[, 1] - area), 1e-4, "")

# Sun: Meeus, Astronomical Algorithms, chapters 12, 15, 22 and 25 (low accuracy), centre 50' below the horizon (USNO).
sun_altitude <- function(lat, lon, s) {
  deg <- pi / 180
  t <- (s / 86400 + 2440587.5 - 2451545) / 36525
  l0 <- 280.46646 + t * (36000.76983 + t * 0.0003032)
  m <- (357.52911 + t * (35999.05029 - t * 0.0001537)) * deg
  centre <- (1.914602 - t * (0.004817 + 0.000014 * t)) * sin(m) + (0.019993 - 0.000101 * t) * sin(2 * m) +
    0.000289 * sin(3 * m)
  omega <- (125.04 - 1934.136 * t) * deg
  lambda <- (l0 + centre - 0.00569 - 0.00478 * sin(omega)) * deg
  tilt <- (23.439291 - 0.0130042 * t + 0.00256 * cos(omega)) * deg
  ra <- atan2(cos(tilt) * sin(lambda), cos(lambda)); dec <- asin(sin(tilt) * sin(lambda))
  sidereal <- 280.46061837 + 360.98564736629 * (t * 36525) + lon
  h <- sidereal * deg - ra
  asin(sin(lat * deg) * sin(dec) + cos(lat * deg) * cos(dec) * cos(h)) / deg
}
cases <- lapply(seq_len(n), function(i) {
  lon <- runif(1, -180, 180)
  c(runif(1, -60, 60), lon, (floor(runif(1, 18262, 25567)) + 0.5 - lon / 360) * 86400)
})
crossings <- t(vapply(cases, function(v) {
  f <- function(s) sun_altitude(v[1], v[2], s) + 50 / 60
  c(uniroot(f, v[3] + c(-43200 + 1800, -1800), tol = 0.01)$root, uniroot(f, v[3] + c(1800, 43200 - 1800), tol = 0.01)$root)
}, numeric(2)))
report("sunrise and sunset (Meeus, in R)", abs(ask("sun", cases) - crossings), 60, " s")

# Lengths: Vincenty 1975, Survey Review 23:88. Areas: the integral of the ellipsoid's authalic function under each side.
a <- 6378137; f <- 1 / 298.257223563; b <- a * (1 - f); e <- sqrt(f * (2 - f))
vincenty <- function(lon1, lat1, lon2, lat2) {
  deg <- pi / 180
  u1 <- atan((1 - f) * tan(lat1 * deg)); u2 <- atan((1 - f) * tan(lat2 * deg)); l <- lambda <- (lon2 - lon1) * deg
  for (i in 1:50) {
    ss <- sqrt((cos(u2) * sin(lambda))^2 + (cos(u1) * sin(u2) - sin(u1) * cos(u2) * cos(lambda))^2)
    cs <- sin(u1) * sin(u2) + cos(u1) * cos(u2) * cos(lambda); sigma <- atan2(ss, cs)
    sa <- cos(u1) * cos(u2) * sin(lambda) / ss; c2 <- 1 - sa^2
    cm <- if (c2 < 1e-15) 0 else cs - 2 * sin(u1) * sin(u2) / c2
    cc <- f / 16 * c2 * (4 + f * (4 - 3 * c2))
    lambda <- l + (1 - cc) * f * sa * (sigma + cc * ss * (cm + cc * cs * (2 * cm^2 - 1)))
  }
  usq <- c2 * (a^2 - b^2) / b^2
  big_a <- 1 + usq / 16384 * (4096 + usq * (-768 + usq * (320 - 175 * usq)))
  big_b <- usq / 1024 * (256 + usq * (-128 + usq * (74 - 47 * usq)))
  ds <- big_b * ss * (cm + big_b / 4 * (cs * (2 * cm^2 - 1) - big_b / 6 * cm * (4 * ss^2 - 3) * (4 * cm^2 - 3)))
  b * big_a * (sigma - ds)
}
zone <- function(lat) { s <- sin(lat * pi / 180); b^2 / 2 * (s / (1 - e^2 * s^2) + atanh(e * s) / e) }
cases <- lapply(seq_len(n), function(i) {
  m <- sample(3:12, 1); turn <- sort(runif(m, 0, 2 * pi)); far <- runif(m, 40, 400)
  lat0 <- runif(1, -60, 60); lon0 <- runif(1, -179, 179)
  lat <- lat0 + far * sin(turn) / 111200; lon <- lon0 + far * cos(turn) / 111200 / cos(lat0 * pi / 180)
  as.vector(rbind(c(lon, lon[1]), c(lat, lat[1])))
})
size <- t(vapply(cases, function(v) {
  x <- v[c(TRUE, FALSE)]; y <- v[c(FALSE, TRUE)]; k <- length(x)
  sides <- mapply(vincenty, x[-k], y[-k], x[-1], y[-1])
  y0 <- mean(y)
  under <- mapply(function(x1, y1, x2, y2) {
    t <- c(0.5 - sqrt(0.15), 0.5, 0.5 + sqrt(0.15)); w <- c(5, 8, 5) / 18
    sum(w * (zone(y1 + t * (y2 - y1)) - zone(y0))) * (x2 - x1) * pi / 180
  }, x[-k], y[-k], x[-1], y[-1])
  c(sum(sides), abs(sum(under)))
}, numeric(2)))
got <- ask("ring", cases)
report("perimeter (Vincenty, in R)", abs(got[, 1] - size[, 1]), 0.001, " m")
# A side is a geodesic there and straight in latitude and longitude here: some millimetres apart at 400 m and 60 degrees.
report("area (authalic integral, in R)", abs(got[, 2] - size[, 2]) / size[, 1], 0.01, " m of the boundary")

# FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), equations 21 to 25 and 52.
cases <- lapply(seq_len(n), function(i) { least <- runif(1, -5, 25); c(runif(1, -55, 55), sample(365, 1), least + runif(1, 0, 25), least) })
fao <- t(vapply(cases, function(v) {
  phi <- v[1] * pi / 180; j <- v[2]
  dr <- 1 + 0.033 * cos(2 * pi * j / 365); delta <- 0.409 * sin(2 * pi * j / 365 - 1.39)
  ws <- acos(-tan(phi) * tan(delta))
  ra <- 24 * 60 / pi * 0.0820 * dr * (ws * sin(phi) * sin(delta) + cos(phi) * cos(delta) * sin(ws))
  c(ra, max(0, 0.0023 * ((v[3] + v[4]) / 2 + 17.8) * sqrt(v[3] - v[4]) * 0.408 * ra))
}, numeric(2)))
report("radiation and Hargreaves (FAO-56, in R)", abs(ask("demand", cases) - fao), 1e-9, "")

# InsectSprays as R holds it (Beall 1942, Biometrika 32:243), then random counts: sum, and 1/k = (var - mean) / mean^2.
sprays <- split(InsectSprays$count, InsectSprays$spray)
moments <- function(v) c(sum(v), (var(v) - mean(v)) / mean(v)^2)
got <- ask("pool", sprays)
print(data.frame(spray = names(sprays), sum = got[, 1], mean = got[, 1] / 12,
                 variance = (got[, 1] / 12) + (got[, 1] / 12)^2 * got[, 2], k = 1 / got[, 2]), digits = 5)
cases <- c(sprays, lapply(seq_len(n), function(i) rnbinom(sample(6:60, 1), size = runif(1, 0.3, 5), mu = exp(runif(1, 0, 4))) + 1))
report("InsectSprays and counts: sum, dispersion (R)", abs(ask("pool", cases) - t(vapply(cases, moments, numeric(2)))), 1e-9, "")

quit(status = if (failed) 1 else 0)
