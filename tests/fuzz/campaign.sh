#!/bin/bash
# At least so many executions of every fuzz target, counted over all runs of this script: corpus, counts and seconds
# stay in build-fuzz, so that it may be stopped at any time and goes on where it was.
# Usage: tests/fuzz/campaign.sh [EXECUTIONS [SECONDS [TARGET...]]]
#   EXECUTIONS  for each target, 20000000 when not given
#   SECONDS     at most, in all of this run; a day when not given
#   TARGET      only these, for instance air_frame
# The targets take turns of a minute each, so that what is cut short is short everywhere.
set -uo pipefail
cd "$(dirname "$0")/../.."
wanted=${1:-20000000} seconds=${2:-86400} turn=60
shift $(($# < 2 ? $# : 2))
cmake --preset fuzz >/dev/null || exit 2
mapfile -t names < <(ninja -C build-fuzz -t targets all | sed -n 's/^fuzz_\([a-z0-9_]*\): phony$/\1/p' | sort)
[ $# = 0 ] || names=("$@")
nice -n 19 cmake --build --preset fuzz --target "${names[@]/#/fuzz_}" >/dev/null || exit 2
mkdir -p build-fuzz/found build-fuzz/executions
# A third faster: what is found is a file, and played again it says where the memory came from.
export ASAN_OPTIONS=${ASAN_OPTIONS:-malloc_context_size=0:quarantine_size_mb=4}
kept() { cat "build-fuzz/executions/$1" 2>/dev/null || echo 0; }

# One turn of one target; what it finds stays as a file in build-fuzz/found.
turn_of() {
    local name=$1 corpus=build-fuzz/corpus/$1 seeds=tests/fuzz/seeds/$1 log=build-fuzz/$1.log begin=$SECONDS result=0
    mkdir -p "$corpus"
    nice -n 19 "build-fuzz/fuzz/fuzz_$name" -runs=$((wanted - $(kept "$name"))) -max_total_time="$turn" \
        -rss_limit_mb=1024 -timeout=10 -print_final_stats=1 -artifact_prefix="build-fuzz/found/$name-" "$corpus" \
        $([ -d "$seeds" ] && echo "$seeds") >"$log" 2>&1 || result=1
    echo $(($(kept "$name") + $(sed -n 's/^stat::number_of_executed_units: *//p' "$log" | grep . || echo 0))) \
        >"build-fuzz/executions/$name.new"
    mv "build-fuzz/executions/$name.new" "build-fuzz/executions/$name"
    echo $(($(kept "$name.seconds") + SECONDS - begin)) >"build-fuzz/executions/$name.seconds"
    [ $result = 0 ] || tail -n 30 "$log"
}

missing=1
while [ "$missing" -gt 0 ] && [ "$SECONDS" -lt "$seconds" ]; do
    missing=0
    for name in "${names[@]}"; do
        [ "$(kept "$name")" -lt "$wanted" ] || continue
        missing=$((missing + 1))
        [ "$SECONDS" -ge "$seconds" ] || turn_of "$name"
    done
done
printf '%-24s %12s %10s %8s\n' target executions 'a second' inputs
total=0 short=0
for name in "${names[@]}"; do
    have=$(kept "$name") spent=$(kept "$name.seconds") total=$((total + have))
    [ "$have" -ge "$wanted" ] || short=$((short + 1))
    printf '%-24s %12d %10d %8d\n' "$name" "$have" $((have / (spent > 0 ? spent : 1))) \
        "$(find "build-fuzz/corpus/$name" -type f 2>/dev/null | wc -l)"
done
findings=$(find build-fuzz/found -type f | wc -l)
echo "$total executions in all; $short of ${#names[@]} targets have fewer than $wanted; $findings findings"
[ "$findings" = 0 ] && [ "$short" = 0 ]
