#!/bin/bash
# The shipped gateway on a real kernel, in an emulated machine: Debian's own kernel and user interface of lines and
# buses, the module model_board below them, the chips' models below that. The radio's tests run there as they do under
# the supervisor. Usage: kernel.sh SOURCE BUILD. Needs the packages below (installs them when it runs as root) and the
# network for the kernel's image, once.
set -euo pipefail
source=$(realpath "$1") build=$(realpath "$2")
packages=(qemu-system-x86 linux-headers-amd64 busybox-static cpio make gcc)
limit=2000
shift=2 # an instruction takes 4 ns
emulator=""

fail() {
    echo "FAILED: $*" >&2
    exit 1
}

need_packages() {
    local missing=() package
    for package in "${packages[@]}"; do
        dpkg -s "$package" 2>/dev/null | grep -q '^Status: install ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} -gt 0 ] || return 0
    [ "$(id -u)" = 0 ] || fail "this needs packages: apt-get install --no-install-recommends ${missing[*]}"
    apt-get -o DPkg::Lock::Timeout=300 install -y --no-install-recommends "${missing[@]}" >"$work/apt.log" 2>&1 ||
        { tail -n 5 "$work/apt.log"; fail "apt-get install ${missing[*]}"; }
}

# The kernel that the headers belong to; only its image is needed, so nothing is installed.
get_kernel() {
    version=$(dpkg -s linux-headers-amd64 | sed -n 's/^Depends: linux-headers-\([^ ,]*\).*/\1/p')
    kernel=$build/kernel/vmlinuz-$version
    [ ! -f "/boot/vmlinuz-$version" ] || kernel=/boot/vmlinuz-$version
    [ ! -f "$kernel" ] || return 0
    mkdir -p "$build/kernel"
    (cd "$work" && apt-get download "linux-image-$version" >apt.log 2>&1) || fail "apt-get download linux-image-$version"
    dpkg --fsys-tarfile "$work"/linux-image-*.deb | tar -xO "./boot/vmlinuz-$version" >"$work/vmlinuz"
    mv "$work/vmlinuz" "$kernel"
}

build_module() {
    mkdir "$work/module"
    cp "$source"/tests/models/kernel/* "$work/module"
    make -C "/usr/src/linux-headers-$version" M="$work/module" modules >"$work/module.log" 2>&1 ||
        { tail -n 20 "$work/module.log"; fail "the module does not build against linux-headers-$version"; }
}

# put PROGRAM TO: with the libraries it is linked to, where it looks for them.
put() {
    local library
    install -D "$1" "$root$2"
    for library in $(ldd "$1" | grep -o '/[^ ]*'); do
        [ -e "$root$library" ] || install -D "$library" "$root$library"
    done
}

make_root() {
    local program
    root=$work/root
    mkdir -p "$root"/{bin,dev,proc,sys,tmp,etc,run}
    install /bin/busybox "$root/bin/busybox"
    install "$source/tests/whole/kernel/guest.sh" "$root/init"
    install -m 644 "$work/module/model_board.ko" "$root/"
    echo 'root:x:0:0:root:/:/bin/sh' >"$root/etc/passwd"
    echo 'root:x:0:' >"$root/etc/group"
    put /usr/sbin/mosquitto /usr/sbin/mosquitto
    for program in bin/edgerow-gateway tests/radio_supervisor tests/test_radio_{path,stream,refusals,troubles} \
        bench/bench_radio_{answers,probe}; do
        [ -x "$build/$program" ] || fail "$build/$program is not built"
        put "$build/$program" "/build/$program"
    done
    cmp -s "$build/bin/edgerow-gateway" "$root/build/bin/edgerow-gateway" || fail "the gateway was changed"
    (cd "$root" && find . | cpio --quiet -o -H newc) >"$work/root.cpio"
}

# The machine's time is counted in instructions, and skips what it would wait for: a busy host makes the test longer,
# but no frame is missed for it.
boot() {
    timeout --kill-after=10 "$limit" qemu-system-x86_64 -machine q35 -accel tcg -cpu max -m 1024 \
        -icount "shift=$shift,sleep=off" -rtc clock=vm -nodefaults -no-reboot -display none -nic none \
        -serial "file:$work/serial" -kernel "$kernel" -initrd "$work/root.cpio" \
        -append "console=ttyS0 quiet panic=-1 mitigations=off" </dev/null &
    emulator=$!
    wait "$emulator" || echo "the emulator ended with status $?; 124: it took longer than $limit s"
    emulator=""
}

clean() {
    [ -z "$emulator" ] || kill "$emulator" 2>/dev/null || true
    rm -rf "$work"
}

work=$(mktemp -d /var/tmp/edgerow-kernel.XXXXXX)
trap clean EXIT
trap 'exit 1' INT TERM
need_packages
get_kernel
build_module
make_root
boot
tr -d '\r' <"$work/serial" | tee "$work/said"
grep -qE '^guest: [1-9][0-9]* passed, 0 failed$' "$work/said" || fail "see above"
