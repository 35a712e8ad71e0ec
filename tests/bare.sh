#!/bin/bash
# The README's two commands on a bare Debian: nothing but what mmdebstrap's minbase holds, this tree, and the
# network this machine has. Usage: tests/bare.sh SUITE [demo|tests]   (bookworm or trixie; both by default)
# Needs root and mmdebstrap; takes the time of both commands.
set -euo pipefail
source=$(cd "$(dirname "$0")/.." && pwd)
suite=${1:?usage: tests/bare.sh bookworm|trixie [demo|tests]}
what=${2:-demo tests}
[ "$(id -u)" = 0 ] || { echo "FAILED: this needs root, to make a root file system" >&2; exit 1; }
command -v mmdebstrap >/dev/null || { echo "FAILED: apt-get install mmdebstrap" >&2; exit 1; }

work=$(mktemp -d)
root=$work/root
cleanup() {
    umount -R "$root/dev" "$root/proc" 2>/dev/null || true
    mountpoint -q "$root/proc" || rm -rf --one-file-system "$work"
}
trap cleanup EXIT
trap 'exit 1' INT TERM

mirror=$(apt-get indextargets --format '$(REPO_URI)' | grep -v security | head -n 1)
mmdebstrap --quiet --variant=minbase "$suite" "$root" "$mirror"
mkdir -p "$root/src" "$root/etc/dpkg/dpkg.cfg.d"
echo force-unsafe-io >"$root/etc/dpkg/dpkg.cfg.d/thrown-away" # nobody waits for this root's disk
# As a clone would have it: what is committed or about to be, nothing that was built.
(cd "$source" && git ls-files -co --exclude-standard -z | tar --null -T - -cf -) | tar -C "$root/src" -xf -
cp /etc/resolv.conf "$root/etc/resolv.conf"
# How this machine reaches its package sources is its own affair: hand over what it is set up with.
# Certificates of its own go where the package ca-certificates finds them when it is installed.
for file in /etc/apt/apt.conf.d/*proxy* /usr/local/share/ca-certificates/*.crt /etc/npmrc /root/.npmrc; do
    [ ! -f "$file" ] || install -D "$file" "$root$file"
done
passed=(PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8)
while IFS= read -r variable; do
    passed+=("$variable")
    value=${variable#*=}
    [ ! -f "$value" ] || { mkdir -p "$root$(dirname "$value")"; cp -L "$value" "$root$value"; }
done < <(env | grep -iE '^(https?_proxy|no_proxy|npm_config_[a-z_]*|node_extra_ca_certs|ssl_cert_file)=' || true)
mount --bind /proc "$root/proc"
mount --rbind /dev "$root/dev"
mount --make-rslave "$root/dev"

for command in $what; do
    case $command in
    demo) line='deploy/demo.sh' ;;
    tests) line='tests/run.sh' ;;
    esac
    echo "== $suite: $line"
    start=$SECONDS
    chroot "$root" env -i "${passed[@]}" bash -c "cd /src && $line" || { echo "FAILED: $line on bare $suite"; exit 1; }
    echo "== $suite: $line succeeded in $((SECONDS - start)) s"
done
