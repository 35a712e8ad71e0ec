"""The manual page of edgerow: well formed, complete, and its examples run."""
import os
import re
import subprocess
import time
import unittest

from cli import BUILD, SOURCE, Run
from farm import Farm, days_of

PAGE = os.path.join(SOURCE, "man/edgerow.1")
COMMANDS = ["check", "status", "why", "round", "plan", "visited", "withdraw", "damage", "season", "acknowledge",
            "order", "frame"]


def page():
    with open(PAGE, encoding="utf-8") as file:
        return file.read()


class Page(unittest.TestCase):
    def test_well_formed(self):
        done = subprocess.run(["mandoc", "-T", "lint", PAGE], capture_output=True, text=True, timeout=30)
        complaints = [line for line in done.stdout.splitlines() if "referenced manual not found" not in line]
        self.assertEqual(complaints, [])

    def test_every_option_of_the_command_and_no_other(self):
        for command in COMMANDS:
            section = page().split(f".Ss {command}\n")[1].split("\n.Ss ")[0].split("\n.Sh ")[0]
            if command == "why":  # says that its options are those of status
                section = page().split(".Cm why\n")[1].split(".Nm\n")[0]
            described = set(re.findall(r"\bFl -([a-z-]+)", section))
            offered = set(re.findall(r"--([a-z-]+)", Run(command, "--help").out)) - {"help"}
            self.assertEqual(described, offered, command)

    def test_every_command(self):
        listed = re.findall(r"^  (\w+) ", Run("--help").out, re.M)
        self.assertEqual(sorted(listed), sorted(COMMANDS))
        for command in COMMANDS:
            self.assertIn(f".Ss {command}\n", page())


class Examples(Farm):
    def test_they_run(self):
        keys = "01a2b3c4,000102030405060708090a0b0c0d0e0f,101112131415161718191a1b1c1d1e1f\n"
        with open(self.path("keys.csv"), "a", encoding="utf-8") as file:
            file.write(keys)
        now = int(time.time())
        self.hear(days_of("00000002", 3, 60, 12, now) + days_of("00000001", 1, 88, 2, now - 150000))
        commands = [line[2:] for line in page().split("\n") if line.startswith("$ ")]
        self.assertGreaterEqual(len(commands), 6)
        for command in commands:
            done = subprocess.run(
                ["sh", "-c", command], cwd=self.folder, capture_output=True, text=True, timeout=60,
                env={**os.environ, "PATH": os.path.join(BUILD, "bin") + ":" + os.environ["PATH"]})
            self.assertEqual((done.returncode, done.stderr), (0, ""), command + "\n" + done.stdout)
            self.assertNotEqual(done.stdout, "", command)


if __name__ == "__main__":
    unittest.main()
