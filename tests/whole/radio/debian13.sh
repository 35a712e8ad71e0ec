#!/bin/sh
# The radio's tests inside a bare Debian 13, whose libgpiod is version 2. Needs root, mmdebstrap and the network.
# With EDGEROW_LONG in the environment 100,000 frames go through it, in seventeen minutes.
set -eu
source=$1
[ -d "$source/tests/npm/node_modules" ] || { echo "FAILED: run tests/npm/install.sh first" >&2; exit 1; }
root=$(mktemp -d /var/tmp/edgerow-debian13.XXXXXX)
clean() {
    umount "$root/source" "$root/proc" "$root/dev" 2>/dev/null || true
    rm -rf --one-file-system "$root"
}
trap clean EXIT INT TERM
packages=$(sed 's/#.*//' "$source/deploy/packages.txt" | grep -v -e '^$' -e libclang-rt | tr '\n' ',')
mmdebstrap --quiet --variant=minbase --dpkgopt=force-unsafe-io --include="${packages%,}" trixie "$root"
mkdir -p "$root/source" "$root/build"
mount --bind "$source" "$root/source"
mount --bind /dev "$root/dev"
mount -t proc proc "$root/proc"
chroot "$root" sh -ec '
    cmake -S /source -B /build -G Ninja -DCMAKE_BUILD_TYPE=RelWithDebInfo >/dev/null
    grep GPIOD_VERSION:INTERNAL /build/CMakeCache.txt
    ninja -C /build edgerow-gateway radio_supervisor test_radio_path test_radio_stream test_radio_refusals test_radio_troubles \
        test_radio_chips test_radio_faults test_radio_sending test_radio_ring >/dev/null
    export EDGEROW_BUILD=/build EDGEROW_SOURCE=/source
    for test in chips faults sending ring path stream refusals troubles; do /build/tests/test_radio_$test; done
    node --test /source/tests/whole/radio/answers.test.mjs'
