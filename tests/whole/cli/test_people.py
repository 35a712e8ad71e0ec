"""What people enter by hand: edgerow visited and edgerow acknowledge."""
import os
import sqlite3
import unittest

from cli import Run
from farm import HOUR, NOW, NOW_S, Farm, days_of

MAIL = "North slope: no word from station N-3"


class Entering(Farm):
    def setUp(self):
        super().setUp()
        with open(self.site, "a", encoding="utf-8") as file:
            file.write("\n[rehearsal]\nclock = clock.sock\n")  # now is the last report

    def rows(self, name, sql):
        db = sqlite3.connect(self.path(name))
        try:
            return db.execute(sql).fetchall()
        finally:
            db.close()

    def test_first_run(self):
        run = Run("visited", "N-1", "replaced", "--site", self.site)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn("nothing was entered", run.err)
        self.assertIn("has the collector run?", run.err)
        run = Run("acknowledge", "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Nothing is stored yet", run.out)

    def test_a_visit_changes_the_judgement(self):
        self.hear(days_of("00000001", 4, 88, 2) + days_of("00000002", 4, 88, 2))
        age = lambda trap: Run("why", trap, "--site", self.site, "--json").json["trap"]["bait_age_days"]
        self.assertGreater(age("N-1"), 3.5)
        run = Run("visited", "N-1", "N-2", "topped", "up", "--at", "2026-08-05 06:00", "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Entered: N-1, N-2 topped up, Wed 5 Aug 06:00.", run.out)
        self.assertIn("keeps its age", run.out)
        self.assertGreater(age("N-1"), 3.5, "topped up does not renew")
        Run("visited", "N-1", "replaced", "emptied", "--at", "06:30", "--litres", "0.5", "--site", self.site)
        self.assertLess(age("N-1"), 0.2)
        self.assertGreater(age("N-2"), 3.5)
        why = Run("why", "N-1", "--site", self.site, "--json").json["trap"]
        self.assertEqual(why["last_visit_at"], "2026-08-05T04:30:00.000Z")
        self.assertLessEqual(why["passes_since_emptied"], 2)

    def test_kept_twice_and_replayed(self):
        self.hear(days_of("00000001", 1, 88, 2))
        run = Run("visited", "N-1", "emptied", "--paper-wasps", "31", "--honey-bees", "2", "--by", "Ada",
                  "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("31 paper wasps, 0 other wasps, 2 honey bees, 0 others", run.out)
        counts = "SELECT kind, count FROM hand_count ORDER BY id"
        self.assertEqual(self.rows("store.db", counts), self.rows("entered.db", counts))
        self.assertEqual(self.rows("entered.db", "SELECT trap, action, by_whom FROM visit"),
                         [("N-1", "emptied", "Ada")])
        for name in os.listdir(self.folder):
            if name.startswith("store.db"):
                os.unlink(self.path(name))
        self.hear(days_of("00000001", 1, 88, 2))  # a new store
        Run("visited", "N-2", "cleaned", "--site", self.site)
        self.assertEqual(self.rows("store.db", "SELECT trap, action FROM visit ORDER BY id"),
                         [("N-1", "emptied"), ("N-2", "cleaned")])
        self.assertEqual(len(self.rows("store.db", counts)), 4)

    def test_a_mistake_is_taken_back(self):
        self.assertIn("Nothing is stored yet", Run("withdraw", "--site", self.site).out)
        self.hear(days_of("00000001", 4, 88, 2))
        self.assertIn("nothing to withdraw", Run("withdraw", "--site", self.site).out)
        age = lambda: Run("why", "N-1", "--site", self.site, "--json").json["trap"]["bait_age_days"]
        Run("visited", "N-1", "emptied", "--at", "2026-08-04 06:00", "--paper-wasps", "31", "--by", "Ada",
            "--site", self.site)
        before = age()
        Run("visited", "N-1", "replaced", "--at", "06:30", "--by", "Ada", "--site", self.site)
        self.assertTrue(age() < 0.2 < before)
        listed = Run("withdraw", "--site", self.site)
        self.assertEqual(listed.out, "visit-2  N-1 replaced, Wed 5 Aug 06:30, by Ada\n"
                                     "visit-1  N-1 emptied (31 paper wasps), Tue 4 Aug 06:00, by Ada\n")
        run = Run("withdraw", "visit-2", "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("Withdrawn: visit-2  N-1 replaced, Wed 5 Aug 06:30, by Ada\n", run.out)
        self.assertAlmostEqual(age(), before, places=3)
        self.assertNotIn("visit-2", Run("withdraw", "--site", self.site).out)
        self.assertIn("Withdrawn before: visit-2", Run("withdraw", "visit-2", "--site", self.site).out)
        for wrong in ("visit-9", "fruit-1", "2", "visit-", "a-long-word-3"):
            run = Run("withdraw", wrong, "--site", self.site)
            self.assertEqual((run.status, run.out), (1, ""), wrong)
            self.assertIn(f'no entry "{wrong}"', run.err)
        said = Run("withdraw", "--site", self.site, "--json").json
        self.assertEqual([(e["entry"], e["by"]) for e in said], [("visit-1", "Ada")])

    def test_json(self):
        self.hear(days_of("00000001", 1, 88, 2))
        said = Run("visited", "N-1", "topped up", "cleaned", "--at", "2026-08-05T05:00:00Z", "--json",
                   "--site", self.site).json
        self.assertEqual(said, {"version": 1, "at": "2026-08-05T05:00:00.000Z", "traps": ["N-1"],
                                "done": ["topped up", "cleaned"], "counts": {}})

    def test_one_mistake_enters_nothing(self):
        self.hear(days_of("00000001", 1, 88, 2))
        run = Run("visited", "N-1", "n-22", "replaced", "--site", self.site)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn('no trap "n-22"', run.err)
        self.assertIn("Nothing was entered", run.err)
        self.assertFalse(os.path.exists(self.path("entered.db")))

    def test_misuse(self):
        self.hear(days_of("00000001", 1, 88, 2))
        for words, why in ((["N-1"], "say what was done"), (["replaced"], "name the traps"),
                           (["N-1", "replaced", "N-2"], "traps come first"),
                           (["N-1", "replaced", "--at", "noon"], "--at takes"),
                           (["N-1", "replaced", "--at", "2026-02-30"], "--at takes"),
                           (["N-1", "replaced", "--at", "2026-08-06"], "has not come yet"),
                           (["N-1", "replaced", "--litres", "0"], "--litres"),
                           (["N-1", "topped up", "--others", "3"], "emptied"),
                           (["N-1", "N-2", "emptied", "--others", "3"], "trap by trap"),
                           (["N-1", "emptied", "--others", "many"], '"many" is no number')):
            run = Run("visited", *words, "--site", self.site)
            self.assertEqual((run.status, run.out), (2, ""), words)
            self.assertIn(why, run.err.split("usage:")[0], words)

    def notice(self, number, state=1, acknowledged=0):
        db = sqlite3.connect(self.path("store.db"))
        db.execute("INSERT INTO notice VALUES (?, 1, 'north', 1, ?, 0, ?, ?, ?, ?, ?, '')",
                   (number, state, NOW_S - HOUR, NOW_S, NOW_S, acknowledged, MAIL))
        db.commit()
        db.close()

    def test_acknowledge(self):
        self.hear(days_of("00000001", 1, 88, 2))
        self.assertIn("nothing to acknowledge", Run("acknowledge", "--site", self.site).out)
        self.notice(17)
        self.notice(18, state=0)
        listed = Run("acknowledge", "--site", self.site)
        self.assertEqual(listed.out, f"n-000017  {MAIL} (since Wed 5 Aug 07:00)\n")
        run = Run("acknowledge", "n-000017", "18", "--site", self.site)
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn(f"n-000017  {MAIL}: acknowledged. It is not repeated", run.out)
        self.assertIn("closed already", run.out)
        self.assertEqual(self.rows("store.db", "SELECT acknowledged_s > 0 FROM notice ORDER BY id"), [(1,), (0,)])
        self.assertIn("acknowledged since", Run("acknowledge", "17", "--site", self.site).out)
        said = Run("acknowledge", "--json", "--site", self.site).json
        self.assertEqual(said, [{"notice": "n-000017", "title": MAIL, "open": True, "acknowledged": True}])
        for word, why in (("n-000099", "no notice n-000099"), ("R06", "is no notice")):
            run = Run("acknowledge", word, "--site", self.site)
            self.assertEqual((run.status, run.out), (1, ""))
            self.assertIn(why, run.err)


if __name__ == "__main__":
    unittest.main()
