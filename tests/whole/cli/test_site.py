"""edgerow status and edgerow why on a store filled by the collector's own code."""
import json
import os
import unittest

from cli import Run
from farm import HOUR, NOW, NOW_S, Farm, days_of

AT = ["--at", NOW]


class Empty(Farm):
    def test_first_run(self):
        for words in (["status"], ["why", "N-1"]):
            run = Run(*words, "--site", self.site)
            self.assertEqual((run.status, run.err), (0, ""))
            self.assertIn("Nothing is stored yet", run.out)
            self.assertIn("6 assignments in 2 blocks", run.out)
            self.assertIn("edgerow check", run.out)
        self.assertFalse(os.path.exists(self.path("store.db")), "looking must not make a store")

    def test_first_run_json(self):
        said = Run("status", "--site", self.site, "--json", *AT).json
        self.assertEqual(said, {"version": 1, "site": "quarry-hill", "at": "2026-08-05T06:00:00.000Z",
                                "stored": False, "blocks": [], "traps": [], "orders": []})

    def test_unknown_trap(self):
        run = Run("why", "n-", "--site", self.site)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn('there is no trap "n-"', run.err)
        self.assertIn("N-1, N-2, N-3?", run.err)

    def test_faulty_site(self):
        self.write("site.ini", "[site]\nname = quarry hill\n")
        for words in (["status"], ["why", "N-1"]):
            run = Run(*words, "--site", self.site)
            self.assertEqual((run.status, run.out), (1, ""))
            self.assertIn("site.ini:2", run.err)
        run = Run("status", "--site", self.path("none.ini"))
        self.assertEqual(run.status, 1)
        self.assertIn("none.ini", run.err)

    def test_broken_store(self):
        self.write("store.db", "this is not a database" * 100)
        run = Run("status", "--site", self.site)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn("store.db", run.err)


class Lossy(Farm):
    def test_lost_reports(self):
        """Every fifth report is missing; one station resumed its counter after it had restarted."""
        reports = [r for r in days_of("00000001", 1, 88, 2) if r[2] % 5 != 1]
        resumed = [(at, unit, fcnt + (300 if fcnt > 90 else 0), payload)
                   for at, unit, fcnt, payload in days_of("00000002", 1, 88, 2)]
        self.hear(reports + resumed)
        inside = [[f for at, _, f, _ in one if NOW_S - 6 * HOUR < int(at) <= NOW_S] for one in (reports, resumed)]
        missed = sum(b - a - 1 for a, b in zip(inside[0], inside[0][1:]))
        said = Run("status", "--site", self.site, "--json", *AT).json["reports"]
        self.assertEqual(said["window_s"], 6 * 3600)
        self.assertEqual((said["heard"], said["missed"]), (len(inside[0]) + len(inside[1]), missed))
        self.assertGreaterEqual(missed, 4)
        self.assertAlmostEqual(said["loss_percent"], 100 * missed / (missed + said["heard"]), delta=0.01)
        # 1 - exp(-2 (N - 1) T / 900), the 6 traps of the roster, frames of the fill at 125 kHz, SF9: pure ALOHA
        self.assertGreater(said["predicted_loss_percent"], 0.1)
        self.assertLess(said["predicted_loss_percent"], 0.5)
        run = Run("status", "--site", self.site, *AT)
        self.assertIn(f"{said['heard']} arrived, {missed} did not", run.out)
        self.assertIn("the rest is distance", run.out)


class Filled(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        """One store for all tests here: they only look at it."""
        cls.farm = Farm()
        cls.farm.setUp()
        cls.addClassCleanup(cls.farm.doCleanups)
        cls.farm.hear(
            days_of("00000001", 3, 88, 2) +                              # fine
            days_of("00000002", 3, 60, 12) +                             # nearly dry
            days_of("00000003", 3, 88, 2, until_s=NOW_S - 40 * HOUR) +   # silent
            days_of("00000004", 3, 88, 2, flags=1) +                     # tilted
            days_of("00000005", 3, 88, 2))
        # 00000006 has never been heard

    def setUp(self):
        self.site, self.path, self.bytes_of = self.farm.site, self.farm.path, self.farm.bytes_of

    def traps(self, *words):
        said = Run("status", "--site", self.site, "--json", *AT, *words).json
        return {trap["trap"]: trap for trap in said["traps"]}, said

    def test_states(self):
        traps, said = self.traps()
        self.assertEqual({name: t["condition"] for name, t in traps.items()},
                         {"N-1": "working", "N-2": traps["N-2"]["condition"], "N-3": "silent",
                          "S-1": "failed", "S-2": "working", "S-3": "new"})
        self.assertIn(traps["N-2"]["condition"], ("due", "failed"))
        self.assertEqual(traps["N-2"]["reason"], "low_level")
        self.assertEqual(traps["S-1"]["reason"], "tilted")
        self.assertAlmostEqual(traps["N-1"]["level_mm"], 82, delta=0.5)
        self.assertEqual(traps["N-1"]["passes_yesterday"], 8)
        self.assertEqual(traps["N-1"]["devaddr"], "00000001")
        self.assertTrue(said["stored"])
        self.assertEqual([b["block"] for b in said["blocks"]], ["north", "south"])
        self.assertEqual([b["traps"] for b in said["blocks"]], [3, 3])
        self.assertEqual(said["blocks"][0]["traps_silent"], 1)

    def test_one_block(self):
        traps, said = self.traps("--block", "south")
        self.assertEqual(sorted(traps), ["S-1", "S-2", "S-3"])
        self.assertEqual(len(said["blocks"]), 1)
        run = Run("status", "--site", self.site, "--block", "west", *AT)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn('no block "west"', run.err)

    def test_text(self):
        run = Run("status", "--site", self.site, *AT)
        self.assertEqual((run.status, run.err), (0, ""))
        lines = run.out.split("\n")
        self.assertEqual(lines[0], "Quarry Hill, Wednesday 5 August 2026, 08:00 (Europe/Rome)")
        shown = [line.split()[0] for line in lines if line[:2] in ("N-", "S-")]
        self.assertEqual(set(shown), {"S-1", "N-2", "N-3", "S-3"})
        self.assertEqual(shown[-1], "S-3")
        self.assertIn("2 traps are working", run.out)
        self.assertLess(max(map(len, lines)), 110)
        shown = Run("status", "--site", self.site, "--all", *AT).out
        self.assertIn("\nN-1 ", shown)

    def test_why(self):
        run = Run("why", "N-2", "--site", self.site, *AT)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Trap N-2 in block north:", run.out)
        self.assertIn("(unit 00000002) was heard just now", run.out)
        self.assertIn("\nBait\n", run.out)
        self.assertIn("\nStation\n", run.out)
        self.assertRegex(run.out, r"24 mm")

    def test_why_json(self):
        said = Run("why", "N-2", "--site", self.site, "--json", *AT).json
        traps, _ = self.traps()
        self.assertEqual(said["trap"], traps["N-2"])
        for part in ("bait", "silence"):
            self.assertGreater(len(said[part]), 2)
            for figure in said[part]:
                self.assertEqual(sorted(figure), ["name", "rule", "source", "unit", "value"])
        self.assertIn(24, [f["value"] for f in said["bait"]])

    def test_an_earlier_instant(self):
        run = Run("status", "--site", self.site, "--json", "--at", "2026-08-04T00:00:00Z").json
        at = {t["trap"]: t for t in run["traps"]}
        self.assertEqual(at["N-1"]["passes_yesterday"], 8)

    def test_reads_only(self):
        before = self.bytes_of("store.db")
        Run("status", "--site", self.site, *AT)
        Run("why", "N-1", "--site", self.site, *AT)
        self.assertEqual(self.bytes_of("store.db"), before)

    def test_rehearsal_uses_the_last_report(self):
        with open(self.site, encoding="utf-8") as file:
            copy = self.farm.write("rehearsal.ini", file.read() + "\n[rehearsal]\nclock = clock.sock\n")
        self.assertEqual(Run("status", "--site", copy, "--json").json["at"], "2026-08-05T05:59:59.000Z")


class Misuse(unittest.TestCase):
    def test_misuse(self):
        for words in (["status", "x"], ["status", "--bogus"], ["status", "--at", "today"], ["why"],
                      ["why", "a", "b"], ["why", "--at", "2026-13-01T00:00:00Z", "a"]):
            run = Run(*words)
            self.assertEqual((run.status, run.out), (2, ""), words)
        for word in ("status", "why", "check"):
            run = Run(word, "--help")
            self.assertEqual((run.status, run.err), (0, ""))
            self.assertTrue(run.out.startswith("usage: edgerow " + word))


if __name__ == "__main__":
    unittest.main()
