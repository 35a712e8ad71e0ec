#!/bin/bash
# Line and branch coverage of the rooms that keep what is heard, from their unit tests, the Nth-failure scenes and a few
# weeks of the simulations. Branches that only an assertion of ours takes are left out; nothing else is.
# Usage: tests/coverage.sh [--missed] [ROOM...]        (builds into build-coverage)
#   ROOM      air feed spool verify publish ingest store notice judging delivery; none: all of them
#   --missed  also every line that never ran, and every line with a branch that was never taken
set -euo pipefail
cd "$(dirname "$0")/.."
missed=()
[ "${1:-}" != --missed ] || { missed=(--missed) && shift; }

# Room, its folder, the unit tests that speak of it, the programs that play it.
rooms="air protocol/air ^air_ -
feed protocol/feed ^feed_ -
spool gateway/spool ^gateway_(boot|disk|record|spool|thinning) gateway,leases
verify gateway/verify ^gateway_(verify|keyfile|settings) gateway
publish gateway/publish ^gateway_(flow|publisher|obeying) simulation
ingest collector/ingest ^collector_ingest collector
store collector/store ^(collector_|lease|order) collector,orders,leases
notice collector/notice ^notice_ collector
judging collector/judging ^judging collector,simulation
delivery collector/delivery ^delivery_ collector,simulation"
[ $# -gt 0 ] || mapfile -t all < <(cut -d' ' -f1 <<<"$rooms")
[ $# -gt 0 ] || set -- "${all[@]}"
patterns=() plays=() folders=()
for room; do
    read -r _ folder pattern play < <(grep "^$room " <<<"$rooms") || {
        echo "no such room: $room (one of: $(cut -d' ' -f1 <<<"$rooms" | paste -sd' '))" >&2
        exit 2
    }
    folders+=("$folder") patterns+=("$pattern")
    IFS=, read -ra more <<<"$play"
    plays+=("${more[@]}")
done
tests=$(IFS='|' && echo "${patterns[*]}")

cmake --preset coverage >build-coverage.log 2>&1 || { cat build-coverage.log >&2 && exit 1; }
mv build-coverage.log build-coverage/configure.log
targets=()
while read -r name; do
    [[ ! ${name#test_} =~ $tests ]] || targets+=("$name")
done < <(ninja -C build-coverage -t targets all | sed -n 's/^\(test_[^:]*\): phony$/\1/p')
wants() { [[ " ${plays[*]} " == *" $1 "* ]]; }
for scene in gateway collector orders; do
    wants $scene && targets+=(nth_failure)
done
wants leases && targets+=(leases)
wants simulation && targets+=(simulation)
cmake --build --preset coverage -j "${JOBS:-$(nproc)}" --target "${targets[@]}" >build-coverage/build.log 2>&1 || {
    tail -n 20 build-coverage/build.log >&2
    exit 1
}

find build-coverage -name '*.gcda' -delete
# Counting makes them slow, and a test that runs out of time counts nothing.
export EDGEROW_SOURCE=$PWD EDGEROW_BUILD=$PWD/build-coverage CK_TIMEOUT_MULTIPLIER=20
log=$PWD/build-coverage/coverage.log
: >"$log"
play() {
    local program=build-coverage/tests/$1
    shift
    "$program" "$@" >>"$log" 2>&1 || echo "failed: $program $* (see $log)"
}
export -f play
export log
printf '%s\n' "${targets[@]}" | grep '^test_' | xargs -P "${JOBS:-$(nproc)}" -I{} bash -c 'play {}'
# Every operation of the short scenes, every so many-th of the long one.
if wants gateway; then play test_nth_failure 1 7 card "damaged card"; fi
if wants gateway; then play test_nth_failure 3 61 gateway "full card"; fi
if wants collector; then play test_nth_failure 1 17 ledger "old store" "damaged store" entries; fi
if wants collector; then play test_nth_failure 40 4001 collector; fi
if wants orders; then play test_nth_failure 7 401 orders; fi
if wants leases; then play test_leases --seeds 3 --hours 24; fi
if wants simulation; then play test_simulation --seed 1 --seeds 6; fi
python3 tests/coverage.py "${missed[@]}" "${folders[@]}"
