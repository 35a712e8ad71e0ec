"""Runs build/bin/edgerow for the tests beside this file."""
import json
import os
import re
import subprocess
import tempfile
import unittest

SOURCE = os.environ["EDGEROW_SOURCE"]
BUILD = os.environ["EDGEROW_BUILD"]


class Run:
    def __init__(self, *words, given=None, env=None):
        done = subprocess.run(
            [os.path.join(BUILD, "bin", "edgerow"), *words], input=given, capture_output=True,
            text=True, timeout=60, env={**os.environ, "LC_ALL": "C.UTF-8", **(env or {})})
        self.status, self.out, self.err = done.returncode, done.stdout, done.stderr

    @property
    def json(self):
        return json.loads(self.out)


def air_examples():
    """The worked examples of AIR.md as dictionaries of their lines."""
    with open(os.path.join(SOURCE, "protocol/air/AIR.md"), encoding="utf-8") as page:
        blocks = re.findall(r"^```example\n(.*?)^```", page.read(), re.M | re.S)
    return [dict(line.split(": ", 1) for line in block.strip().split("\n")) for block in blocks]


def console_blocks(path):
    """Commands and the output shown for them in a page: [(command, output lines)]."""
    with open(os.path.join(SOURCE, path), encoding="utf-8") as page:
        blocks = re.findall(r"^```console\n(.*?)^```", page.read(), re.M | re.S)
    shown = []
    for block in blocks:
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            command, _, output = part.replace("\\\n", " ").partition("\n")
            shown.append((command, output))
    return shown


def run_shown(test, path, folder):
    """Runs every command a page shows, in folder; the output must be the one shown."""
    shown = console_blocks(path)
    test.assertGreater(len(shown), 0)
    for command, output in shown:
        done = subprocess.run(
            ["sh", "-c", command], cwd=folder, capture_output=True, text=True, timeout=60,
            env={**os.environ, "PATH": os.path.join(BUILD, "bin") + ":" + os.environ["PATH"]})
        test.assertEqual(done.stderr, "", command)
        test.assertEqual(done.returncode, 0, command)
        test.assertEqual(done.stdout, output, command)


class Folder(unittest.TestCase):
    """A test with a folder of its own."""

    def runTest(self):
        """So that one can also be made by hand."""

    def setUp(self):
        self._folder = tempfile.TemporaryDirectory(prefix="edgerow-cli-")
        self.folder = self._folder.name
        self.addCleanup(self._folder.cleanup)

    def path(self, name):
        return os.path.join(self.folder, name)

    def write(self, name, text, mode=0o600):
        with open(self.path(name), "w", encoding="utf-8", newline="") as file:
            file.write(text)
        os.chmod(self.path(name), mode)
        return self.path(name)

    def bytes_of(self, name):
        with open(self.path(name), "rb") as file:
            return file.read()
