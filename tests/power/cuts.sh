#!/bin/bash
# Pulls the plug of an emulated machine that runs a whole site. Usage: tests/power/cuts.sh BUILD boots|points NUMBER [SEED]
#   boots   cuts at NUMBER random moments, each time booting from what the cut left; then a day in quiet
#   points  NUMBER cuts of one recorded run, made on the host; and of three machines that are badly set up, whose
#           losses must be found
# The machine is made anew from this source, in BUILD/power (image.sh). Packages that are missing are installed when this
# runs as root.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
[ $# -ge 3 ] || { sed -n '2s/.*Usage/usage/p' "$0" >&2; exit 2; }
images=$1/power
fail() {
    echo "FAILED: $*" >&2
    exit 1
}
missing=()
for package in qemu-system-x86 mmdebstrap e2fsprogs sqlite3 socat mosquitto nodejs; do
    dpkg -s "$package" 2>/dev/null | grep -q '^Status: install ok installed' || missing+=("$package")
done
if [ ${#missing[@]} -gt 0 ]; then
    command="apt-get install -y --no-install-recommends ${missing[*]}"
    [ "$(id -u)" = 0 ] || fail "this needs packages: $command"
    DEBIAN_FRONTEND=noninteractive $command >/dev/null || fail "$command"
fi
"$here/image.sh" "$images"
# A disk image is copied for each look.
[ ! -w /dev/shm ] || export TMPDIR=/dev/shm
exec node "$here/cuts.mjs" "$images" "${@:2}"
