#!/bin/bash
# The campaign of the simulation: site-weeks with faults, one seed each, in pieces. It may be stopped at any time and
# goes on where it ended; what it did in all is kept in <log>.<part>, and broken promises are in the log.
# Usage: weeks.sh [RUNS [PARTS [LOG]]]     10000 runs, 1 part, /var/tmp/edgerow-weeks.log when not given
#   PARTS  so many processes side by side, each with its share of the seeds
# Environment: EDGEROW_BUILD (build), EDGEROW_FIRST_SEED (100000)
set -uo pipefail
cd "$(dirname "$0")/../.."
runs=${1:-10000} parts=${2:-1} log=${3:-/var/tmp/edgerow-weeks.log}
program=${EDGEROW_BUILD:-build}/tests/test_simulation first=${EDGEROW_FIRST_SEED:-100000}
export EDGEROW_SOURCE=$PWD
commit=$(git describe --always --dirty 2>/dev/null || echo unknown)
kept=$(mktemp) && cp "$program" "$kept" && chmod +x "$kept" || exit 2
trap 'kill $(jobs -p) 2>/dev/null; rm -f "$kept"' EXIT
share=$(((runs + parts - 1) / parts))
for ((part = 0; part < parts; part++)); do
    echo "$(date -u +%FT%TZ) commit $commit, part $part of $parts: seeds from $((first + part * share)), $share runs" >>"$log"
    nice -n 19 "$kept" --seed $((first + part * share)) --seeds "$share" --tally "$log.$part" 2>/dev/null \
        >>"$log" &
done
wait
# What all parts did, whoever ran them and when.
awk '{ sum[$1] += $2; if (!($1 in at)) { at[$1] = ++n; name[n] = $1 } }
    END { printf "%d site-weeks wanted, %d runs, %d failed, %.0f simulated hours, %.0f s of a processor\n", wanted,
              sum["runs"], sum["failed"], sum["hours"], sum["seconds"]
          for (i = 1; i <= n; i++) if (name[i] !~ /^(runs|failed|hours|seconds)$/)
              printf "  %-16s %d\n", name[i], sum[name[i]]
          exit sum["failed"] > 0 || sum["runs"] < wanted }' wanted="$runs" "$log".[0-9] | tee -a "$log"
