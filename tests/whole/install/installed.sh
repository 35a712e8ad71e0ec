#!/bin/bash
# What `cmake --install` puts in place. Usage: installed.sh BUILD; the build is installed below a folder of its
# own under its own prefix, and each thing that a site needs must be there and speak.
set -euo pipefail
build=$1
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
DESTDIR=$root cmake --install "$build" >"$root/log"
prefix=$(sed -n 's/^CMAKE_INSTALL_PREFIX:PATH=//p' "$build/CMakeCache.txt")
at=$root$prefix
bad=0
need() { # WHAT TEST...
    local what=$1
    shift
    if ! "$@"; then
        echo "missing or wrong: $what"
        bad=1
    fi
}
for program in bin/edgerow bin/edgerow-collector sbin/edgerow-gateway; do
    need "$program" test -x "$at/$program"
done
need "the gateway's version" grep -q '^edgerow-gateway [0-9]' <("$at/sbin/edgerow-gateway" --version)
need "the collector's version" grep -q '^edgerow-collector [0-9]' <("$at/bin/edgerow-collector" --version)
for daemon in gateway collector; do
    unit=$(find "$root" -name "edgerow-$daemon.service")
    need "the unit of the $daemon" test -s "$unit"
    command=$(sed -n 's/^ExecStart=\([^ ]*\).*/\1/p' "$unit")
    need "what the unit of the $daemon starts ($command)" test -x "$root$command"
    if command -v systemd-analyze >/dev/null; then
        # Relative to the installed tree, so that neither users nor folders of this machine are looked at.
        need "a unit without unknown words" bash -c "! systemd-analyze verify --man=no '$unit' 2>&1 | grep -E 'edgerow-$daemon.service.*(Unknown|Failed to parse|Invalid)'"
    fi
    need "the $daemon's user" grep -rqs "^u edgerow-$daemon " "$root" --include=edgerow.conf
done
for page in "$PWD"/man/*.[1-8]; do
    name=$(basename "$page")
    need "manual page $name" test -s "$at/share/man/man${name##*.}/$name"
done
for schema in protocol/feed/schema/*.json; do
    need "$(basename "$schema")" test -s "$at/share/edgerow/schema/$(basename "$schema")"
done
need "the broker's settings" test -s "$at/share/edgerow/broker/edgerow.conf"
need "the radio's boards" test -n "$(find "$at/share/edgerow/boards" -name '*.ini' -print -quit)"
for document in README.md AIR.md; do
    need "$document" test -s "$at/share/doc/edgerow/$document"
done
for folder in docs deploy/sample; do
    [ ! -d "$folder" ] || need "$folder" test -d "$at/share/doc/edgerow/$(basename "$folder")"
done
exit $bad
