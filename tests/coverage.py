"""What gcov counted in build-coverage, as a table by room. Usage: coverage.py [--missed] FOLDER..."""
import collections
import glob
import json
import os
import re
import subprocess
import sys

missed = "--missed" in sys.argv
rooms = [word for word in sys.argv[1:] if word != "--missed"]
lines, branches = collections.defaultdict(int), collections.defaultdict(int)


def asserted(name):
    """The lines of a file on which an assertion stands."""
    found, text = set(), open(name).read()
    for match in re.finditer(r"\bassert\(", text):
        depth, at = 1, match.end()
        while depth > 0:
            depth += {"(": 1, ")": -1}.get(text[at], 0)
            at += 1
        found.update(range(text.count("\n", 0, match.start()) + 1, text.count("\n", 0, at) + 2))
    return found


def take(file):
    name = os.path.relpath(os.path.realpath(os.path.join("build-coverage", file["file"])))
    if not name.endswith(".c"):
        return
    spared = asserted(name)
    for line in file["lines"]:
        lines[name, line["line_number"]] += line["count"]
        for i, branch in enumerate(line["branches"]):
            if line["line_number"] not in spared:
                branches[name, line["line_number"], i] += branch["count"]


for room in rooms:
    for data in glob.glob(f"build-coverage/{room}/**/*.gcno", recursive=True):
        text = subprocess.run(["gcov", "--json-format", "--branch-probabilities", "--stdout", data],
                              capture_output=True, check=True).stdout
        for part in text.splitlines():
            for file in json.loads(part)["files"]:
                take(file)

if missed:
    for name in sorted({key[0] for key in lines}):
        text = open(name).read().split("\n")
        ways_of = collections.defaultdict(list)
        for key, count in branches.items():
            if key[0] == name:
                ways_of[key[1]].append(count > 0)
        for number in range(1, len(text)):
            taken = ways_of[number]
            if lines.get((name, number)) == 0:
                print(f"{name}:{number}: never run: {text[number - 1].strip()}")
            elif not all(taken):
                ways = "".join("+" if way else "-" for way in taken)
                print(f"{name}:{number}: {ways}: {text[number - 1].strip()}")


def share(counts, room):
    of = [count for key, count in counts.items() if key[0].startswith(room + "/")]
    return f"{100 * sum(count > 0 for count in of) / max(len(of), 1):6.1f} % of {len(of):<6}"


print(f"{'room':20} {'lines':>14} {'branches':>20}")
for room in rooms:
    print(f"{room:20} {share(lines, room)} {share(branches, room)}")
