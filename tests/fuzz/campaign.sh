#!/bin/bash
# At least so many executions of every fuzz target, counted over all runs of this script: corpus, counts and seconds
# stay in build-fuzz, so that it may be stopped at any time and goes on where it was.
# Usage: tests/fuzz/campaign.sh [EXECUTIONS [SECONDS [TARGET...]]]
#   EXECUTIONS  for each target, 20000000 when not given
#   SECONDS     at most, in all of this run; a day when not given
#   TARGET      only these, for instance air_frame
# The targets take turns, so that what is cut short is short everywhere. In each turn a target runs for 20 seconds with
# the address sanitizer, beginning with all inputs that are kept, and for 40 without, where it is three times as fast;
# both have the other sanitizers and all assertions on, and keep the inputs that reach something new.
set -uo pipefail
cd "$(dirname "$0")/../.."
wanted=${1:-20000000} seconds=${2:-86400}
shift $(($# < 2 ? $# : 2))
for preset in fuzz fuzz-fast; do
    cmake --preset $preset >/dev/null || exit 2
done
mapfile -t names < <(ninja -C build-fuzz -t targets all | sed -n 's/^fuzz_\([a-z0-9_]*\): phony$/\1/p' | sort)
[ $# = 0 ] || names=("$@")
for preset in fuzz fuzz-fast; do
    nice -n 19 cmake --build --preset $preset --target "${names[@]/#/fuzz_}" >/dev/null || exit 2
done
counts=build-fuzz/executions
mkdir -p build-fuzz/found $counts
# A third faster: what is found is a file, and played again it says where the memory came from.
export ASAN_OPTIONS=${ASAN_OPTIONS:-malloc_context_size=0:quarantine_size_mb=4}
kept() { cat "$counts/$1" 2>/dev/null || echo 0; }
add() { # COUNT NUMBER
    echo $(($(kept "$1") + $2)) >"$counts/$1.new"
    mv "$counts/$1.new" "$counts/$1"
}

# run_for SECONDS BUILD TARGET: what it finds stays as a file in build-fuzz/found.
run_for() {
    local name=$3 corpus=build-fuzz/corpus/$3 seeds=tests/fuzz/seeds/$3 log=build-fuzz/$3.log begin=$SECONDS
    local done result=0
    mkdir -p "$corpus"
    nice -n 19 "$2/fuzz/fuzz_$name" -runs=$((wanted - $(kept "$name"))) -max_total_time="$1" \
        -rss_limit_mb=1024 -timeout=10 -print_final_stats=1 -artifact_prefix="build-fuzz/found/$name-" "$corpus" \
        $([ -d "$seeds" ] && echo "$seeds") >"$log" 2>&1 || result=1
    done=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    add "$name" "${done:-0}"
    [ "$2" != build-fuzz ] || add "$name.address" "${done:-0}"
    add "$name.seconds" $((SECONDS - begin))
    [ $result = 0 ] || tail -n 30 "$log"
}

missing=1
while [ "$missing" -gt 0 ] && [ "$SECONDS" -lt "$seconds" ]; do
    missing=0
    for name in "${names[@]}"; do
        [ "$(kept "$name")" -lt "$wanted" ] || continue
        missing=$((missing + 1))
        [ "$SECONDS" -ge "$seconds" ] || run_for 20 build-fuzz "$name"
        [ "$(kept "$name")" -ge "$wanted" ] || [ "$SECONDS" -ge "$seconds" ] || run_for 40 build-fuzz-fast "$name"
    done
done
printf '%-24s %12s %14s %10s %8s\n' target executions 'with addresses' 'a second' inputs
total=0 short=0
for name in "${names[@]}"; do
    have=$(kept "$name") spent=$(kept "$name.seconds") total=$((total + have))
    [ "$have" -ge "$wanted" ] || short=$((short + 1))
    printf '%-24s %12d %14d %10d %8d\n' "$name" "$have" "$(kept "$name.address")" $((have / (spent > 0 ? spent : 1))) \
        "$(find "build-fuzz/corpus/$name" -type f 2>/dev/null | wc -l)"
done
findings=$(find build-fuzz/found -type f | wc -l)
echo "$total executions in all; $short of ${#names[@]} targets have fewer than $wanted; $findings findings"
[ "$findings" = 0 ] && [ "$short" = 0 ]
