#!/bin/bash
# Each safeguard is left out in turn, and the simulation must see what is lost. Usage: sabotage.sh PROGRAM
# With every safeguard in place the same runs keep every promise.
set -uo pipefail
program=$1
missed=0

# without SAFEGUARD SEED OPTION...
without() {
    local name=$1 seed=$2 said
    shift 2
    if ! "$program" --seed "$seed" "$@" >/dev/null 2>&1; then
        echo "seed $seed fails although nothing is left out: $program --seed $seed $*"
        missed=$((missed + 1))
    fi
    if said=$("$program" --seed "$seed" "$@" --without "$name" 2>/dev/null); then
        echo "$name is left out and nobody notices: $program --seed $seed $* --without $name"
        missed=$((missed + 1))
    else
        echo "without $name: $(sed -n 's/^FAILED at commit [^:]*: //p' <<<"$said")"
    fi
}

without spool-before-publish 1 --days 2 --stations 2 --gateways 1 --collectors 1 --faults gateway-power
without commit-before-mark 3 --days 3 --stations 4 --gateways 1 --collectors 1 --faults collector-power
without hash-in-mark 4 --stations 3 --gateways 1 --collectors 1 --faults spool-copy
without idempotence 1 --days 1 --stations 1 --gateways 2 --collectors 1 --faults none
without order-by-fcnt 1 --days 1 --stations 1 --gateways 2 --collectors 1 --faults none
without keep-last-of-series 4 --stations 12 --gateways 1 --collectors 1 --faults spool-full,station
without every-collector 1 --stations 2 --gateways 1 --collectors 2 --faults network-cut
without patience 4 --days 3 --stations 4 --gateways 1 --collectors 1 --faults broker-kill,network-mess
without sync 1 --days 2 --stations 4 --gateways 1 --collectors 1 --faults gateway-power
without outbox-until-taken 1 --stations 6 --gateways 1 --collectors 1 --faults mail
without quarantine 1 --days 3 --stations 12 --gateways 1 --collectors 1 --faults roster
without doubt-of-clock 1 --days 3 --stations 2 --gateways 1 --collectors 1 --faults gateway-clock
without sums 1 --days 2 --stations 2 --gateways 1 --collectors 1 --faults none
[ "$missed" = 0 ]
