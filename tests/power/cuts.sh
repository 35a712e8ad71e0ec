#!/bin/bash
# Pulls the plug of an emulated machine that runs a whole site. Usage: tests/power/cuts.sh BUILD boots|points NUMBER [SEED]
#   boots   cuts at NUMBER random moments, each time booting from what the cut left; then a day in quiet
#   points  NUMBER cuts of one recorded run, made on the host; and of three machines that are badly set up, whose
#           losses must be found
# The machine is made once, in BUILD/power (image.sh); remove its disk.img to have it made anew.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
[ $# -ge 3 ] || { sed -n '2s/.*Usage/usage/p' "$0" >&2; exit 2; }
images=$1/power
missing=
for tool in qemu-system-x86_64 mmdebstrap mke2fs e2fsck debugfs sqlite3 socat mosquitto_passwd node; do
    command -v "$tool" >/dev/null || missing+=" $tool"
done
[ -z "$missing" ] || {
    echo "FAILED: missing:$missing (apt-get install qemu-system-x86 mmdebstrap e2fsprogs sqlite3 socat mosquitto nodejs)" >&2
    exit 1
}
[ -e "$images/disk.img" ] || "$here/image.sh" "$images"
# A disk image is copied for each look.
[ ! -w /dev/shm ] || export TMPDIR=/dev/shm
exec node "$here/cuts.mjs" "$images" "${@:2}"
