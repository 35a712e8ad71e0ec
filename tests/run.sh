#!/bin/bash
# Sets up, builds and passes every test. Usage: tests/run.sh [--long]
#   --long  also the campaigns, which take hours; without them it takes under 20 minutes on two cores
# Prints a table of what was checked and how long it took, and last "N passed, N failed".
set -uo pipefail
cd "$(dirname "$0")/.."
long=no
case "${1:-}" in
'') ;;
--long) long=yes ;;
*)
    echo "usage: tests/run.sh [--long]" >&2
    exit 2
    ;;
esac

logs=build/run
mkdir -p "$logs"
jobs=$(nproc)
passed=0 failed=0 table=()

note() { # SECONDS RESULT NAME
    table+=("$(printf '%5d s  %-7s %s' "$1" "$2" "$3")")
}

# check NAME SECONDS COMMAND...: one check, with its log kept and its last lines shown when it fails.
check() {
    local name=$1 limit=$2 log start=$SECONDS status
    log=$logs/${name// /-}.log
    shift 2
    echo "== $name"
    timeout --kill-after=10 "$limit" "$@" >"$log" 2>&1 </dev/null
    status=$?
    if [ "$status" = 0 ]; then
        passed=$((passed + 1))
        note $((SECONDS - start)) passed "$name"
        return 0
    fi
    failed=$((failed + 1))
    tail -n 40 "$log"
    [ "$status" != 124 ] || echo "took longer than $limit s"
    echo "-- $name failed; all of its output is in $log"
    note $((SECONDS - start)) FAILED "$name"
    return 1
}

# tests NAME SECONDS CTEST-ARGUMENTS...: counts each of CTest's tests. One more at a time than there are
# processors, since many of them mostly wait.
tests() {
    local name=$1 limit=$2 report log start=$SECONDS total=0 bad=0 skipped=0 counts
    report=$PWD/$logs/${name// /-}.xml
    log=$logs/${name// /-}.log
    shift 2
    echo "== $name"
    rm -f "$report"
    timeout --kill-after=10 "$limit" ctest -j$((jobs + 1)) --output-on-failure --output-junit "$report" "$@" \
        >"$log" 2>&1 </dev/null
    counts=$(grep -m1 -A6 '<testsuite' "$report" 2>/dev/null | tr '\n\t' '  ')
    total=$(sed -n 's/.* tests="\([0-9]*\)".*/\1/p' <<<"$counts")
    bad=$(sed -n 's/.* failures="\([0-9]*\)".*/\1/p' <<<"$counts")
    skipped=$(sed -n 's/.* skipped="\([0-9]*\)".*/\1/p' <<<"$counts")
    if [ -z "$total" ] || [ "$total" = 0 ]; then
        failed=$((failed + 1))
        tail -n 20 "$log"
        echo "-- $name ended without a report after $((SECONDS - start)) s; see $log"
        note $((SECONDS - start)) FAILED "$name"
        return
    fi
    # A test that could not run has not passed.
    bad=$((bad + ${skipped:-0}))
    passed=$((passed + total - bad))
    failed=$((failed + bad))
    if [ "$bad" -gt 0 ]; then
        grep -E '^[[:space:]]*[0-9]+/[0-9]+ Test.*(\*\*\*|Not Run)' "$log"
        tail -n 60 "$log"
        note $((SECONDS - start)) FAILED "$name: $bad of $total"
    else
        note $((SECONDS - start)) passed "$name: $total"
    fi
}

build() { # PRESET TARGET...
    local preset=$1
    shift
    cmake --preset "$preset" && cmake --build --preset "$preset" -j "$jobs" --target "$@"
}

format() {
    git ls-files -co --exclude-standard '*.c' '*.h' 2>/dev/null | grep . >"$logs/sources" ||
        find protocol common gateway collector deploy tests -name '*.[ch]' -not -path '*/node_modules/*' >"$logs/sources"
    xargs clang-format-14 --dry-run --Werror <"$logs/sources"
}

fuzz_targets() {
    cmake --preset fuzz >&2 && ninja -C build-fuzz -t targets all | sed -n 's/^\(fuzz_[a-z0-9_]*\): phony$/\1/p'
}

# Everything once through clang, whose warnings are other ones; they are its front end's, so no code is made.
clang_warnings() {
    jq -r '.[].command | sub(" -o [^ ]+"; " -fsyntax-only")' build-fuzz/compile_commands.json |
        (cd build-fuzz && xargs -P "$jobs" -d '\n' -I{} bash -c '{}')
}

# Ten seconds for each target, two at a time; what a target finds stays as a file to look at.
fuzz() {
    local target
    mkdir -p build-fuzz/found
    for target in build-fuzz/fuzz/fuzz_*; do
        [ -x "$target" ] && echo "$target"
    done | xargs -P 2 -I{} bash -c '
        name=$(basename {}); name=${name#fuzz_}; seeds=tests/fuzz/seeds/$name; corpus=build-fuzz/corpus/$name
        mkdir -p "$corpus"
        {} -max_total_time=10 -rss_limit_mb=1024 -timeout=10 -print_final_stats=1 \
            -artifact_prefix=build-fuzz/found/$name- "$corpus" $([ -d "$seeds" ] && echo "$seeds") \
            >build-fuzz/$name.log 2>&1 || { tail -n 30 build-fuzz/$name.log; exit 255; }
        echo "$name: $(sed -n "s/^stat::number_of_executed_units: *//p" build-fuzz/$name.log) executions"'
}
export logs jobs
export -f build format fuzz fuzz_targets clang_warnings

check "set-up" 900 deploy/setup.sh
if check "build with gcc" 900 bash -c 'build release all'; then
    check "rooms" 60 tests/rooms.sh
    if command -v clang-format-14 >/dev/null; then
        check "format" 120 bash -c format
    else
        echo "   format not checked: clang-format 14 is not in this release, and others lay out differently"
    fi
    tests "tests" 1800 --test-dir build -LE long
fi
if check "build with sanitizers" 900 bash -c 'build sanitize tests/unit/all edgerow edgerow-gateway edgerow-collector edgerow-rehearse'; then
    tests "unit tests with sanitizers" 900 --test-dir build-sanitize/tests/unit -LE long
    tests "real input with sanitizers" 300 --test-dir build-sanitize/tests/whole/real_input
fi
if check "build fuzzers with clang" 900 bash -c 'build fuzz $(fuzz_targets)'; then
    check "warnings of clang" 300 bash -c clang_warnings
    check "fuzzing" 300 bash -c fuzz
    check "clang-tidy" 400 tests/tidy.sh build-fuzz "${EDGEROW_TIDY_SECONDS:-60}"
fi
if [ "$long" = yes ]; then
    tests "campaigns" 86400 --test-dir build -L long
    check "coverage" 7200 tests/coverage.sh
    grep '%' "$logs/coverage.log"
fi

echo
printf '%s\n' "${table[@]}"
echo "in all $SECONDS s"
echo "$passed passed, $failed failed"
[ "$failed" = 0 ] && [ "$passed" -gt 0 ]
