"""edgerow season and edgerow damage: what people enter and what is made of it."""
import math
import struct
import unittest

from cli import Run
from farm import HOUR, NOW_S, Farm

DAY = 24 * HOUR


def warm_days(unit, days, until_s):
    """A report every quarter of an hour whose temperature swings between 10 and 30 degrees C, warmest at
    16:00 local (UTC + 2), 2 degrees higher on odd units."""
    reports, steps = [], days * 96
    for i in range(steps + 1):
        at = until_s - (steps - i) * HOUR // 4 - int(unit, 16)
        celsius = 20 + 10 * math.cos((at + 2 * HOUR - 16 * HOUR) % DAY / DAY * 2 * math.pi)
        payload = struct.pack("<BBIHHHHBBBBBBB", 0x11, 1, 0, 0, 0, 0, i % 64 << 10 | 320,
                              round((celsius + 40) * 2), 110, 120, 15, 0, 10, 0) + bytes(7)
        reports.append((at, unit, i, payload))
    return reports


def sine_above(base):
    """Zalom et al. 1983: single sine of a day from 10 to 30, here by summing, apart from the product."""
    n = 100000
    return sum(max(0, 20 + 10 * math.sin(2 * math.pi * i / n) - base) for i in range(n)) / n


class Season(Farm):
    def setUp(self):
        super().setUp()
        with open(self.site, "a", encoding="utf-8") as file:
            file.write("\n[rehearsal]\nclock = clock.sock\n")

    def season(self, *words):
        return Run("season", "--site", self.site, *words)

    def test_first_run(self):
        for words in (["season"], ["damage", "north"]):
            run = Run(*words, "--site", self.site)
            self.assertEqual((run.status, run.err), (0, ""))
            self.assertIn("Nothing is stored yet", run.out)

    def test_degree_days(self):
        self.hear(warm_days("00000001", 6, NOW_S) + warm_days("00000002", 6, NOW_S))
        said = self.season("--from", "2026-07-31", "--json").json
        self.assertEqual((said["days"], said["days_missing"]), (5, 0))
        self.assertAlmostEqual(said["degree_days_c"], 5 * sine_above(6), delta=2.5)
        warm = self.season("--from", "2026-07-31", "--lower", "15", "--already", "100", "--json").json
        self.assertAlmostEqual(warm["degree_days_c"], 100 + 5 * sine_above(15), delta=2.5)
        text = self.season("--from", "2026-07-31", "--fahrenheit").out
        self.assertIn("above 42.8 F", text)
        self.assertIn(f"{said['degree_days_c'] * 1.8:.0f} F-units", text)

    def test_a_sum_with_holes_is_none(self):
        self.hear(warm_days("00000001", 6, NOW_S))
        run = self.season()
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("not known", run.out)
        self.assertIn("--already", run.out)
        self.assertIsNone(self.season("--json").json["degree_days_c"])

    def test_what_was_seen_overrides(self):
        self.hear(warm_days("00000001", 6, NOW_S))
        at = ("--from", "2026-07-31", "--already", "450")
        likely = self.season(*at, "--json").json["workers_at"]
        self.assertIsNone(likely, "500 are reached")
        likely = self.season("--from", "2026-07-31", "--already", "400", "--json").json["workers_at"]
        self.assertTrue(likely.startswith("2026-08-0"))
        run = self.season("--saw", "first workers", "--on", "2026-07-20", *at)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("search outward from hot stretches", run.out)
        self.assertEqual(self.season(*at, "--json").json["workers_at"], "2026-07-20T10:00:00.000Z")

    def test_dates_and_cool_hours(self):
        self.hear(warm_days("00000001", 6, NOW_S))
        said = self.season("--ripe", "2026-08-28", "--json").json
        self.assertEqual(said["hang_at"][:10], "2026-08-14")
        self.assertEqual(len(said["cool_hours"]), 3)
        # 20 + 10 cos passes 18 at 6.77 hours before 16:00, in the hour from 9 to 10 (UTC + 2).
        self.assertEqual(said["cool_hours"][0]["warm_at"][:16], "2026-08-05T07:00")
        self.assertIn("Friday 14 August 2026", self.season("--ripe", "2026-08-28").out)
        self.assertIn("no model is guessed", self.season().out)

    def test_misuse(self):
        self.hear(warm_days("00000001", 1, NOW_S))
        for words, why in ((["--saw", "a wasp"], "--saw takes"), (["--ripe", "soon"], "--ripe takes"),
                           (["--upper", "3"], "above --lower"), (["x"], "too much"),
                           (["--saw", "first queens", "--on", "2027-01-01"], "--on takes")):
            run = self.season(*words)
            self.assertEqual((run.status, run.out), (2, ""), words)
            self.assertIn(why, run.err.split("usage:")[0], words)


class Damage(Farm):
    def setUp(self):
        super().setUp()
        with open(self.site, "a", encoding="utf-8") as file:
            file.write("\n[rehearsal]\nclock = clock.sock\n")
        self.hear(warm_days("00000001", 1, NOW_S))

    def damage(self, *words):
        return Run("damage", "--site", self.site, *words)

    def test_without_a_comparison_it_cannot_tell(self):
        self.assertIn("has been counted yet", self.damage("north").out)
        run = self.damage("north", "edge", "3/20", "1/20", "interior", "0/20")
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Entered: 3 places", run.out)
        self.assertIn("Cannot tell from catches", run.out)
        self.assertIn("4 of 40 clusters damaged at 2 places: 10.0 %", run.out)

    def test_untrapped_and_blocks(self):
        # One place each way: Newcombe 1998, example (a), 56/70 and 48/80: 0.2, 0.0524 to 0.3339 (method 10).
        said = self.damage("north", "edge", "48/80", "untrapped", "56/70", "--json").json
        fewer = said["against_untrapped"]
        self.assertAlmostEqual(fewer["fewer"], 0.2, places=4)
        self.assertAlmostEqual(fewer["low"], 0.0524, places=4)
        self.assertAlmostEqual(fewer["high"], 0.3339, places=4)
        self.damage("south", "edge", "2/40", "3/40", "1/40")
        self.assertIn("MORE damaged", self.damage("north", "--against", "south").out)
        self.assertIn("points fewer damaged (95 %", self.damage("north").out)

    def test_before(self):
        self.damage("north", "edge", "2/40", "3/40", "--at", "2026-07-10")
        self.damage("north", "edge", "4/40", "2/40")
        run = self.damage("north", "--before", "2026-07-20")
        self.assertIn("no difference can be told", run.out)
        self.assertIn("mixes the traps with the season", run.out)

    def test_misuse(self):
        for words, why in (([], "name the block"), (["north", "3/20"], "say where"),
                           (["north", "edge", "30/20"], "is no count"), (["north", "edge", "many"], "is no count"),
                           (["north", "edge"], "counts are missing"),
                           (["north", "edge", "1/2", "--at", "2027-01-01"], "not in the future")):
            run = self.damage(*words)
            self.assertEqual((run.status, run.out), (2, ""), words)
            self.assertIn(why, run.err.split("usage:")[0], words)
        run = self.damage("west")
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn('no block "west"', run.err)


if __name__ == "__main__":
    unittest.main()
