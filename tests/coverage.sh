#!/bin/bash
# Line and branch coverage of the rooms that keep what is heard, from their unit tests and the Nth-failure scenes.
# Usage: tests/coverage.sh        (builds into build-coverage)
set -euo pipefail
cd "$(dirname "$0")/.."
cmake --preset coverage >/dev/null
rooms='^(air|feed|gateway|collector|notice|judging|delivery)_'
targets=$(sed -n 's/^build \(test_[^:]*\): phony .*/\1/p' build-coverage/build.ninja | sort -u |
    grep -E "^test_${rooms#^}" || true)
# shellcheck disable=SC2086
cmake --build --preset coverage --target $targets nth_failure >/dev/null
find build-coverage -name '*.gcda' -delete
ctest --test-dir build-coverage/tests/unit -R "$rooms" -LE long >build-coverage/coverage.log 2>&1 ||
    echo "some unit tests failed: see build-coverage/coverage.log"
build-coverage/tests/test_nth_failure 40 4001 >/dev/null || echo "the Nth-failure scenes failed"
python3 - <<'EOF'
import collections, glob, gzip, json, os, subprocess
rooms = ["protocol/air", "protocol/feed", "gateway/spool", "gateway/verify", "gateway/publish", "collector/ingest",
         "collector/store", "collector/notice", "collector/judging", "collector/delivery"]
lines, branches = collections.defaultdict(int), collections.defaultdict(int)
for data in glob.glob("build-coverage/**/*.gcda", recursive=True):
    if not any("/" + room + "/" in data for room in rooms):
        continue
    text = subprocess.run(["gcov", "--json-format", "--branch-probabilities", "--stdout", data],
                          capture_output=True).stdout
    for part in text.splitlines():
        for file in json.loads(part)["files"]:
            name = os.path.relpath(os.path.realpath(os.path.join("build-coverage", file["file"])))
            if not name.endswith(".c"):
                continue
            for line in file["lines"]:
                lines[name, line["line_number"]] += line["count"]
                for i, branch in enumerate(line["branches"]):
                    branches[name, line["line_number"], i] += branch["count"]
def share(counts, room):
    of = [count for key, count in counts.items() if key[0].startswith(room + "/")]
    return sum(count > 0 for count in of), len(of)
print(f"{'room':20} {'lines':>14} {'branches':>16}")
for room in rooms:
    (line, of_lines), (branch, of_branches) = share(lines, room), share(branches, room)
    if of_lines:
        print(f"{room:20} {100 * line / of_lines:6.1f} % of {of_lines:<5} "
              f"{100 * branch / max(of_branches, 1):6.1f} % of {of_branches}")
EOF
