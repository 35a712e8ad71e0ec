#!/bin/sh
# Installs the reference libraries of the tests, exactly as locked. Does nothing when they are there.
set -eu
cd "$(dirname "$0")"
want=$(cat package.json package-lock.json | sha256sum | cut -d' ' -f1)
mark=node_modules/.edgerow-lock
if [ -f "$mark" ] && [ "$(cat "$mark")" = "$want" ]; then
    exit 0
fi
for tool in node npm; do
    if ! command -v "$tool" >/dev/null; then
        echo "$0: $tool is missing; install the packages listed in deploy/packages.txt" >&2
        exit 1
    fi
done
npm ci --no-audit --no-fund
echo "$want" >"$mark"
