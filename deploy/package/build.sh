#!/bin/bash
# Builds a Debian package of this tree for the release it runs on. Usage: deploy/package/build.sh [FOLDER]
# Prints the package's path as its last line. FOLDER (default build-package) holds the build and the package.
set -euo pipefail

source=$(cd "$(dirname "$0")/../.." && pwd)
folder=$(mkdir -p "${1:-$source/build-package}" && cd "${1:-$source/build-package}" && pwd)
here=$source/deploy/package
root=$folder/root

"$source/deploy/setup.sh" --build >&2

version=$(sed -n 's/^project(edgerow VERSION \([0-9.]*\).*/\1/p' "$source/CMakeLists.txt")
if git -C "$source" rev-parse >/dev/null 2>&1; then
    stamp=$(git -C "$source" log -1 --format=%ct)
    version=$version+git$(date -u -d "@$stamp" +%Y%m%d.%H%M%S)
    export SOURCE_DATE_EPOCH=$stamp
fi
architecture=$(dpkg --print-architecture)

cmake -S "$source" -B "$folder/build" -G Ninja -DCMAKE_BUILD_TYPE=RelWithDebInfo -DCMAKE_INSTALL_PREFIX=/usr \
    -DCMAKE_C_FLAGS="-ffile-prefix-map=$source=. -D_FORTIFY_SOURCE=2 -fPIE" -DCMAKE_EXE_LINKER_FLAGS="-pie -Wl,-z,relro,-z,now" >&2
cmake --build "$folder/build" --target edgerow-gateway edgerow-collector edgerow >&2

rm -rf "$root"
DESTDIR=$root cmake --install "$folder/build" >/dev/null
mapfile -t binaries < <(find "$root/usr/bin" "$root/usr/sbin" -type f -name 'edgerow*')
strip --strip-unneeded "${binaries[@]}"
find "$root/usr/share/man" -type f -exec gzip -9n {} +

mkdir -p "$folder/shlibs/debian" "$root/DEBIAN"
printf 'Source: edgerow\n\nPackage: edgerow\nArchitecture: any\n' >"$folder/shlibs/debian/control"
depends=$(cd "$folder/shlibs" && dpkg-shlibdeps -O "${binaries[@]}" 2>/dev/null | sed -n 's/^shlibs:Depends=//p')
[ -n "$depends" ] || { echo "dpkg-shlibdeps found no libraries: is dpkg-dev installed?" >&2; exit 1; }

sed -e "s|@VERSION@|$version|" -e "s|@ARCHITECTURE@|$architecture|" -e "s|@DEPENDS@|$depends|" \
    -e "s|@SIZE@|$(du -sk "$root" | cut -f1)|" "$here/control.in" >"$root/DEBIAN/control"
for script in postinst prerm postrm; do
    install -m 0755 "$here/$script" "$root/DEBIAN/$script"
done
# What a person may edit and an upgrade must not overwrite: everything below /etc, if there is any.
if [ -d "$root/etc" ]; then
    (cd "$root" && find etc -type f -printf '/%p\n') >"$root/DEBIAN/conffiles"
fi
(cd "$root" && find usr lib -type f -print0 2>/dev/null | xargs -0 md5sum) >"$root/DEBIAN/md5sums"

package=$folder/edgerow_${version}_$architecture.deb
dpkg-deb --root-owner-group --build "$root" "$package" >&2
echo "$package"
