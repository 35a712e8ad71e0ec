#!/bin/bash
# What an idle process costs: memory, processor time and wake-ups. Usage: idle.sh [-s SECONDS] [PID [NAME]]...
# Without a PID: the floor, a process with the daemons' libraries that does nothing, connected to a broker.
# A wake-up is a voluntary context switch: the process slept and was woken.
set -euo pipefail
seconds=10
if [ "${1:-}" = -s ]; then
    seconds=$2
    shift 2
fi
build=${EDGEROW_BUILD:-$(cd "$(dirname "$0")/../../.." && pwd)/build}
broker= idle= work=
cleanup() {
    [ -z "$idle" ] || { kill "$idle" && wait "$idle"; } 2>/dev/null || true
    [ -z "$broker" ] || { kill "$broker" && wait "$broker"; } 2>/dev/null || true
    [ -z "$work" ] || rm -rf "$work"
}
trap cleanup EXIT

switches() { cat /proc/"$1"/task/*/status | awk '/^voluntary_ctxt/ {n += $2} END {print n}'; }
ticks() { awk '{print $14 + $15}' /proc/"$1"/stat; }

measure() { # PID NAME
    local pid=$1 name=$2 before_switches before_ticks
    before_switches=$(switches "$pid")
    before_ticks=$(ticks "$pid")
    sleep "$seconds"
    awk -v name="$name" -v s="$seconds" -v w=$(($(switches "$pid") - before_switches)) \
        -v t=$(($(ticks "$pid") - before_ticks)) -v hz="$(getconf CLK_TCK)" '
        /^Rss:/ {rss = $2} /^Private_(Clean|Dirty):/ {private += $2}
        END {printf "idle %s: RSS %.1f MB, private %.1f MB, %.2f ms CPU/s, %.2f wake-ups/s over %d s\n",
             name, rss / 1024, private / 1024, t * 1000 / hz / s, w / s, s}' /proc/"$pid"/smaps_rollup
}

if [ $# = 0 ]; then
    work=$(mktemp -d)
    port=$(python3 -c 'import socket; s=socket.socket(); s.bind(("127.0.0.1",0)); print(s.getsockname()[1])')
    printf 'listener %s 127.0.0.1\nallow_anonymous true\n' "$port" >"$work/broker.conf"
    mosquitto -c "$work/broker.conf" >"$work/log" 2>&1 &
    broker=$!
    sleep 1
    "$build/bench/bench_idle" "$port" &
    idle=$!
    sleep 2
    measure "$idle" "floor"
fi
while [ $# -gt 0 ]; do
    name=${2:-$(cat "/proc/$1/comm")}
    measure "$1" "$name"
    shift
    [ $# = 0 ] || shift
done
