#!/bin/bash
# Installs what building, testing and the demo need: the Debian packages of deploy/packages.txt, and the npm
# packages of tests/npm. Does nothing where all of it is there. Usage: deploy/setup.sh [--build]
#   --build  only what building needs: no npm packages
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
npm=yes
[ "${1:-}" != --build ] || npm=no

present() {
    # Some packages of Node.js bring npm along and conflict with Debian's.
    if [ "$1" = npm ] && command -v npm >/dev/null; then
        return 0
    fi
    [ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

as_root() {
    if [ "$(id -u)" = 0 ]; then
        env DEBIAN_FRONTEND=noninteractive "$@"
    elif command -v sudo >/dev/null; then
        sudo env DEBIAN_FRONTEND=noninteractive "$@"
    else
        echo "deploy/setup.sh: these packages are missing: ${missing[*]}" >&2
        echo "Run this as root, or install them: apt-get install ${missing[*]}" >&2
        exit 1
    fi
}

# A line "a|b" names the same thing in different releases: whichever is installed or can be.
read_list() {
    sed -e 's/#.*//' -e 's/[[:space:]]//g' -e '/^$/d' "$here/packages.txt"
}

list_missing() {
    missing=()
    local line name found
    while read -r line; do
        found=
        for name in ${line//|/ }; do
            if present "$name"; then
                found=yes
            fi
        done
        [ -n "$found" ] || missing+=("$line")
    done < <(read_list)
}

available() {
    local policy
    policy=$(apt-cache policy "$1" 2>/dev/null)
    grep -q 'Candidate: [^(]' <<<"$policy"
}

choose() {
    local line name
    chosen=()
    for line in "${missing[@]}"; do
        for name in ${line//|/ }; do
            if available "$name"; then
                chosen+=("$name")
                continue 2
            fi
        done
        echo "deploy/setup.sh: no package source offers $line; is this Debian 12 or 13?" >&2
        exit 1
    done
}

if ! command -v apt-get >/dev/null; then
    echo "deploy/setup.sh: this is not Debian; install what $here/packages.txt lists by other means" >&2
    exit 1
fi
list_missing
if [ "${#missing[@]}" -gt 0 ]; then
    echo "Installing ${#missing[@]} Debian packages …"
    as_root apt-get -qq update
    choose
    as_root apt-get -qq -y --no-install-recommends install "${chosen[@]}" >/dev/null
fi
if [ "$npm" = yes ] && [ -x "$here/../tests/npm/install.sh" ]; then
    "$here/../tests/npm/install.sh"
fi
