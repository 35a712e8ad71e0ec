#!/bin/bash
# Runs that once broke a promise, and what was mended. Usage: found.sh PROGRAM
set -uo pipefail
program=$1
broken=0

found() { # WHAT OPTION...
    local what=$1 said
    shift
    if said=$("$program" "$@" 2>/dev/null); then
        echo "kept: $what"
    else
        echo "BROKEN AGAIN: $what"
        sed -n '/^FAILED/,/simulation /p' <<<"$said"
        broken=$((broken + 1))
    fi
}

found "a store is not set aside because a page could not be read for a moment" --seed 30008 --days 7 \
    --stations 4 --gateways 2 --collectors 2 --window 5 \
    --faults collector-kill,collector-power,collector-disk,store-lost,network-cut
found "a collector whose marks were lost is sent on from a row that was thinned since" --seed 100002 --days 7 \
    --stations 8 --gateways 2 --collectors 2 --window 18 \
    --faults air,hostile,gateway-clock,spool-full,collector-power,network-cut,network-mess,roster
[ "$broken" = 0 ]
