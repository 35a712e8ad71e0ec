#!/bin/bash
# A machine for tests that pull its plug: Debian with systemd, the broker as deploy/broker says, and Edgerow's package
# with its units, on an ext4 image; beside it the kernel. Usage: tests/power/image.sh FOLDER
# Makes FOLDER/disk.img and FOLDER/vmlinuz, of the release this runs on. Needs root, a Debian mirror and mmdebstrap.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
source=$(cd "$here/../.." && pwd)
folder=$(mkdir -p "$1" && cd "$1" && pwd)

fail() {
    echo "FAILED: $*" >&2
    exit 1
}
[ "$(id -u)" = 0 ] || fail "this needs root, to make a root file system"
for tool in mmdebstrap mke2fs mosquitto_passwd; do
    command -v "$tool" >/dev/null || fail "$tool is missing: apt-get install mmdebstrap e2fsprogs mosquitto"
done

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
root=$work/root
suite=$(. /etc/os-release && echo "$VERSION_CODENAME")
mirror=$(apt-get indextargets --format '$(REPO_URI)' | grep -v security | head -n 1)

package=$("$source/deploy/package/build.sh" "$folder/package" 2>"$work/package.log" | tail -n 1) ||
    { tail -n 20 "$work/package.log" >&2; fail "the package was not built"; }
depends=$(dpkg-deb -f "$package" Depends | sed -e 's/([^)]*)//g' -e 's/|[^,]*//g' -e 's/ //g')

# The kernel for clouds has NVMe and ext4 built in: no initial file system is needed.
(
    cd "$work"
    kernel=$(apt-cache depends linux-image-cloud-amd64 | sed -n 's/.*Depends: \(linux-image-[0-9].*\)/\1/p' | head -n 1)
    apt-get download -qq "$kernel" 2>/dev/null
    dpkg-deb -x "$kernel"_*.deb kernel
)
cp "$work"/kernel/boot/vmlinuz-* "$folder/vmlinuz"

# The root without Edgerow is kept for the next time.
packages=systemd,systemd-sysv,dbus,kmod,iproute2,mosquitto,socat,$depends
bare=$folder/root-$(md5sum <<<"$suite $packages" | cut -c1-12).tar
if [ ! -e "$bare" ]; then
    mmdebstrap --quiet --variant=minbase --dpkgopt=force-unsafe-io --include="$packages" "$suite" "$work/root.tar" "$mirror" \
        >"$work/log" 2>&1 || { tail "$work/log" >&2; fail "no $suite root"; }
    mv "$work/root.tar" "$bare"
fi
mkdir "$root"
tar -C "$root" -xf "$bare"
(
    cd "$work/kernel"
    [ -d lib ] || cd usr
    find lib/modules \( -name 'virtio*.ko*' -o -name '*failover.ko*' -o -name 'modules.order' -o -name 'modules.builtin*' \) -print0 |
        tar --null -T - -cf -
) | tar -C "$root/usr" -xf -
chroot "$root" depmod "$(ls "$root/usr/lib/modules")"

cp "$package" "$root/edgerow.deb"
chroot "$root" dpkg -i /edgerow.deb >"$work/log" 2>&1 || { cat "$work/log" >&2; fail "dpkg -i"; }
rm "$root/edgerow.deb"
node "$here/site.mjs" "$work/settings"
install -d -m 0755 "$root/etc/edgerow"
cp "$work"/settings/{*.ini,*.csv,*.geojson,*.password} "$root/etc/edgerow/"
chroot "$root" chown edgerow-gateway: /etc/edgerow/gateway.password /etc/edgerow/keys.csv
chroot "$root" chown edgerow-collector: /etc/edgerow/collector.password
chmod 0600 "$root"/etc/edgerow/*.password "$root/etc/edgerow/keys.csv"

cp "$source/deploy/broker/edgerow.conf" "$root/etc/mosquitto/conf.d/"
cp "$source/deploy/broker/edgerow.acl" "$root/etc/mosquitto/"
cp "$work/settings/users" "$root/etc/mosquitto/edgerow.users"
mosquitto_passwd -U "$root/etc/mosquitto/edgerow.users"
chroot "$root" chown mosquitto: /etc/mosquitto/edgerow.users
chmod 0600 "$root/etc/mosquitto/edgerow.users"

cp -r "$here/guest/." "$root/"
mkdir "$root/usr/lib/test"
gcc -shared -fPIC -O1 -o "$root/usr/lib/test/nosync.so" "$here/nosync.c"
chroot "$root" systemctl --quiet enable wire.service feed.socket air.socket clock.socket
# Nobody logs in, and no device comes or goes.
chroot "$root" systemctl --quiet mask getty.target console-getty.service systemd-logind.service apt-daily.timer \
    apt-daily-upgrade.timer dpkg-db-backup.timer e2scrub_all.timer fstrim.timer
rm -rf "$root"/var/cache/apt/archives/*.deb "$root"/var/lib/apt/lists/* "$root"/usr/share/{doc,man,locale}

rm -f "$folder/disk.img"
mke2fs -q -t ext4 -d "$root" -E lazy_itable_init=0,lazy_journal_init=0,root_owner=0:0 -L edgerow "$folder/disk.img" 768M
echo "$folder/disk.img: $suite, $(basename "$package")"
