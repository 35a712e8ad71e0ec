#!/bin/bash
# Builds Edgerow and lets a simulated vineyard speak to the real gateways, a real broker and the real collector:
# ten hot summer days of the sample site (deploy/sample) in about a minute. Prints blocks, catches, traps to visit
# and why, silent stations, the messages, and how all that agrees with the simulation's own ledger.
# Usage: deploy/demo.sh [--keep] [any option of edgerow-rehearse, see build/bin/edgerow-rehearse --help]
#   --keep  go on afterwards, so that you can subscribe and look around; end with Ctrl-C
set -euo pipefail

top=$(cd "$(dirname "$0")/.." && pwd)
cd "$top"

deploy/setup.sh

echo "Building …"
mkdir -p build
if ! { cmake --preset release && cmake --build build --target edgerow-gateway edgerow-collector edgerow edgerow-rehearse; } \
    >build/demo-build.log 2>&1; then
    tail -n 30 build/demo-build.log >&2
    echo "deploy/demo.sh: the build failed; everything it said is in $top/build/demo-build.log" >&2
    exit 1
fi
deploy/rehearsal/weather.sh build/rehearsal/weather

echo "Playing ten days of the sample vineyard …"
build/bin/edgerow-rehearse --site deploy/sample --days 10 --seed 5 --climate hot "$@"
