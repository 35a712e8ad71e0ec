#!/bin/bash
# clang-tidy over every source of a build, newest change first, for at most SECONDS. What was clean before is
# not looked at again until it, a header it includes, or the rules change. Usage: tests/tidy.sh BUILD SECONDS
# Exits 1 on a finding; says how many files there was no time for.
set -euo pipefail
cd "$(dirname "$0")/.."
build=$1 budget=$2
cache=$build/tidy
[ -s "$build/compile_commands.json" ] || { echo "$build has no compile_commands.json: configure it first" >&2; exit 1; }
mkdir -p "$cache"
end=$(($(date +%s) + budget))
export build cache end

look() {
    local file=$1 key mark log
    [ "$(date +%s)" -lt "$end" ] || { echo late; return; }
    key=$( (cat .clang-tidy; clang -E -P -std=gnu11 -D_GNU_SOURCE -I. "$file" 2>/dev/null || cat "$file") | sha256sum)
    mark=$cache/${key%% *}
    [ ! -e "$mark" ] || { echo clean; return; }
    log=$(mktemp)
    if clang-tidy --quiet -p "$build" "$file" >"$log" 2>/dev/null; then
        touch "$mark"
        echo clean
    else
        echo dirty
        sed 's/^/    /' "$log" >&2
    fi
    rm -f "$log"
}
export -f look

mapfile -t files < <(sed -n 's/^ *"file": "\(.*\)",\{0,1\}$/\1/p' "$build/compile_commands.json" | sort -u |
    sed "s|^$PWD/||" | grep -E '^(protocol|common|gateway|collector|deploy)/' | xargs ls -t)
results=$(printf '%s\n' "${files[@]}" |
    xargs -P 2 -n 8 bash -c 'for f; do look "$f"; done' _)
clean=$(grep -c clean <<<"$results" || true)
dirty=$(grep -c dirty <<<"$results" || true)
late=$(grep -c late <<<"$results" || true)
echo "clang-tidy: $clean files clean, $dirty with findings, $late not reached within $budget s"
[ "$dirty" = 0 ]
