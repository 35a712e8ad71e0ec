#!/bin/bash
# At least so many executions of every fuzz target, counted over all runs of this script: the corpus and the counts
# stay in build-fuzz. Usage: tests/fuzz/campaign.sh [EXECUTIONS [SECONDS]]
#   EXECUTIONS  for each target, 20000000 when not given
#   SECONDS     at most, for each target in this run; 3600 when not given
set -uo pipefail
cd "$(dirname "$0")/../.."
wanted=${1:-20000000} seconds=${2:-3600} findings=0
cmake --preset fuzz >/dev/null && cmake --build --preset fuzz >/dev/null || exit 2
mkdir -p build-fuzz/found build-fuzz/executions
for target in build-fuzz/fuzz/fuzz_*; do
    name=$(basename "$target") && name=${name#fuzz_}
    count=build-fuzz/executions/$name corpus=build-fuzz/corpus/$name seeds=tests/fuzz/seeds/$name
    mkdir -p "$corpus"
    have=$(cat "$count" 2>/dev/null || echo 0)
    if [ "$have" -lt "$wanted" ]; then
        "$target" -runs=$((wanted - have)) -max_total_time="$seconds" -rss_limit_mb=1024 -timeout=10 \
            -print_final_stats=1 -artifact_prefix=build-fuzz/found/"$name"- "$corpus" \
            $([ -d "$seeds" ] && echo "$seeds") >build-fuzz/"$name".log 2>&1 || {
            findings=$((findings + 1))
            tail -n 30 build-fuzz/"$name".log
        }
        done_now=$(sed -n 's/^stat::number_of_executed_units: *//p' build-fuzz/"$name".log)
        have=$((have + ${done_now:-0}))
        echo "$have" >"$count"
    fi
    echo "$name: $have executions in all, $(find "$corpus" -type f | wc -l) inputs kept"
done
echo "$findings findings"
[ "$findings" = 0 ]
