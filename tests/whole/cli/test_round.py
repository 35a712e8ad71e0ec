"""edgerow round on a store filled by the collector's own code."""
import unittest

from cli import Run
from farm import HOUR, NOW, NOW_S, Farm, days_of

AT = ["--at", NOW]


class Round(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.farm = Farm()
        cls.farm.setUp()
        cls.addClassCleanup(cls.farm.doCleanups)
        cls.farm.hear(
            days_of("00000001", 3, 88, 2) +                             # fine
            days_of("00000002", 3, 60, 12) +                            # nearly dry
            days_of("00000003", 3, 88, 2, until_s=NOW_S - 40 * HOUR) +  # silent
            days_of("00000004", 3, 88, 2, flags=1) +                    # tilted
            days_of("00000005", 3, 88, 2))

    def round(self, *words):
        return Run("round", "--site", self.farm.site, *AT, *words)

    def stops(self, *words):
        said = self.round("--json", *words).json
        return [{s["trap"]: s for s in day["stops"]} for day in said["days"]], said

    def test_what_fails_comes_today(self):
        days, said = self.stops("--ready", "5")
        self.assertEqual([d["date"] for d in said["days"]], ["2026-08-05", "2026-08-06", "2026-08-07"])
        self.assertIn("S-1", days[0])
        self.assertEqual(days[0]["S-1"]["why"], "tilted")
        self.assertIn("N-2", days[0])
        self.assertEqual(said["not_kept"], [])
        everywhere = {trap for day in days for trap in day}
        self.assertIn("N-3", everywhere, "a silent station is looked at within three days")

    def test_without_fermented_bait_nothing_is_promised(self):
        days, said = self.stops()
        missed = {m["trap"]: m["why"] for m in said["not_kept"]}
        self.assertNotIn("S-1", days[0])
        self.assertIn("no fermented bait", missed["S-1"])
        needed = sum(s["litres"] for day in days[1:] for s in day.values())
        self.assertAlmostEqual(said["mix_today_litres"], needed, 6)
        late = sum("no fermented bait" in why for why in missed.values())
        self.assertAlmostEqual(said["mix_late_litres"], 0.5 * late, 6, "tomorrow they shall find some")
        self.assertIn("for the traps above that found no bait", self.round().out)
        slow, said = self.stops("--ferment", "2")
        self.assertEqual(slow[0] | slow[1], {}, "what is mixed today is ready the day after tomorrow")

    def test_a_closed_block_is_not_entered(self):
        days, said = self.stops("--ready", "5", "--closed", "south=2026-08-05..2026-08-06")
        for day in days[:2]:
            self.assertFalse([t for t in day.values() if t["block"] == "south"])
        self.assertIn("closed", {m["trap"]: m["why"] for m in said["not_kept"]}["S-1"])

    def test_text(self):
        run = self.round("--ready", "5")
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Today, Wednesday 5 August 2026: ", run.out)
        self.assertIn("hang upright and refill", run.out)
        self.assertIn("sunrise", run.out)
        self.assertIn("Take care", run.out)
        self.assertLess(max(map(len, run.out.split("\n"))), 110)

    def test_misuse(self):
        for words, says in ((["--ferment", "3"], "1 or 2 days"), (["--hours", "-1"], "0.25 to 14"),
                            (["--closed", "south"], "BLOCK=FROM..TO"),
                            (["--closed", "west=2026-08-05..2026-08-06"], 'no block "west"'),
                            (["--closed", "south=2026-08-06..2026-08-04"], "ends before"),
                            (["--base", "here"], "LATITUDE,LONGITUDE"), (["now"], "too much")):
            run = self.round(*words)
            self.assertEqual((run.status, run.out), (2, ""), words)
            self.assertIn(says, run.err)


class Frozen(Farm):
    def setUp(self):
        super().setUp()
        with open(self.site, "a", encoding="utf-8") as file:
            file.write("\n[rehearsal]\nclock = clock.sock\n")  # now is the last report
        self.hear(days_of("00000001", 3, 88, 2) + days_of("00000002", 3, 60, 12))

    def round(self, *words):
        run = Run("round", "--site", self.site, "--ready", "5", *words)
        self.assertEqual((run.status, run.err), (0, ""))
        return run

    def test_it_does_not_change_during_the_day(self):
        first = self.round()
        self.assertIn("Frozen for today", first.out)
        before = self.round("--json").json
        # An hour later N-1 fell over.
        self.hear([(at + HOUR, unit, fcnt + 4, payload) for at, unit, fcnt, payload in
                   days_of("00000001", 3, 88, 2, flags=1)[-4:]])
        again = self.round()
        self.assertIn("As frozen today at 07:59", again.out)
        self.assertIn(first.out.split("Frozen for today")[0].strip(), again.out)
        self.assertEqual(self.round("--json").json, before)
        self.assertNotIn("hang upright", again.out)

    def test_anew_and_asked_otherwise(self):
        self.round()
        self.assertNotIn("As frozen", self.round("--anew").out)
        self.assertIn("As frozen", self.round().out)
        self.assertNotIn("As frozen", self.round("--hours", "2").out)
        self.assertIn("As frozen", self.round("--hours", "2").out)
        self.assertNotIn("frozen", self.round("--at", NOW).out.lower())


class Empty(Farm):
    def test_first_run(self):
        run = Run("round", "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Nothing is stored yet", run.out)


if __name__ == "__main__":
    unittest.main()
