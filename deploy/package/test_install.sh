#!/bin/bash
# Installs the package on a clean Debian booted in a container, and uses it: users, rights, both daemons through
# the broker with passwords and access list, a frame that becomes a row, a kill, an upgrade, removal, purge.
# Needs root, mmdebstrap and systemd-nspawn. Usage: deploy/package/test_install.sh [SUITE]   (default bookworm)
set -euo pipefail

source=$(cd "$(dirname "$0")/../.." && pwd)
suite=${1:-bookworm}
fail() {
    echo "FAILED: $*" >&2
    exit 1
}
[ "$(id -u)" = 0 ] || fail "this needs root, to boot a container"
for tool in mmdebstrap systemd-nspawn nsenter; do
    command -v "$tool" >/dev/null || fail "$tool is missing: apt-get install mmdebstrap systemd-container util-linux"
done

work=$(mktemp -d)
root=$work/root
container=
cleanup() {
    if [ -n "$container" ]; then
        kill "$container" 2>/dev/null || true
        wait "$container" 2>/dev/null || true
    fi
    rm -rf "$work"
}
trap cleanup EXIT
trap 'exit 1' INT TERM

# The mirror this machine itself uses.
mirror=$(apt-get indextargets --format '$(REPO_URI)' | grep -v security | head -n 1)
mkdir -p "$work/build"
package=$("$source/deploy/package/build.sh" "${EDGEROW_PACKAGE_FOLDER:-$work/build}" 2>"$work/build.log" | tail -n 1) ||
    { tail -n 20 "$work/build.log" >&2; fail "the package was not built"; }
depends=$(dpkg-deb -f "$package" Depends | sed -e 's/([^)]*)//g' -e 's/|[^,]*//g' -e 's/ //g')

mmdebstrap --quiet --variant=minbase --include="systemd,systemd-sysv,dbus,udev,mosquitto,mosquitto-clients,socat,procps,iproute2,$depends" \
    "$suite" "$root" "$mirror" >"$work/mmdebstrap.log" 2>&1 || { tail "$work/mmdebstrap.log" >&2; fail "no $suite root"; }
cp "$package" "$root/root/edgerow.deb"
mkdir -p "$root/root/settings"

cat >"$root/root/settings/gateway.ini" <<'INI'
[gateway]
name = north
site = home
[broker]
host = 127.0.0.1
user = gateway-north
password_file = /etc/edgerow/gateway.password
[spool]
size_mib = 4
commit_seconds = 0
[keys]
[collectors]
names = main
[radio.0]
driver = simulated
socket = /var/lib/edgerow/gateway/air
frequency_hz = 915900000
bandwidth_hz = 500000
INI
cat >"$root/root/settings/site.ini" <<'INI'
[site]
name = home
time_zone = Pacific/Auckland
latitude = -43
longitude = 172
[broker]
host = 127.0.0.1
user = collector
password_file = /etc/edgerow/collector.password
INI
printf 'trap,block,unit\nt1,north,01a2b3c4\n' >"$root/root/settings/stations.csv"
cat >"$root/root/settings/blocks.geojson" <<'JSON'
{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"block":"north"},
"geometry":{"type":"Polygon","coordinates":[[[172,-43],[172.002,-43],[172.002,-43.002],[172,-43.002],[172,-43]]]}}]}
JSON
nwk=000102030405060708090a0b0c0d0e0f app=101112131415161718191a1b1c1d1e1f
printf 'devaddr,nwk_skey,app_skey\n01a2b3c4,%s,%s\n' $nwk $app >"$root/root/settings/keys.csv"

systemd-nspawn -q -D "$root" --register=no --keep-unit --boot --private-network --console=pipe \
    systemd.unified_cgroup_hierarchy=1 >"$work/console.log" 2>&1 &
container=$!
leader=
for _ in $(seq 100); do
    leader=$(pgrep -P "$container" | head -n 1 || true)
    if [ -n "$leader" ] && nsenter -t "$leader" -m -p -u -i -n -C systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded'; then
        break
    fi
    sleep 0.3
done
[ -n "$leader" ] || { tail "$work/console.log" >&2; fail "the container did not boot"; }
inside() {
    nsenter -t "$leader" -m -p -u -i -n -C env PATH=/usr/sbin:/usr/bin:/sbin:/bin DEBIAN_FRONTEND=noninteractive HOME=/root "$@"
}
inside ip link set lo up 2>/dev/null || true

# within SECONDS COMMAND...: until it succeeds.
within() {
    local end=$((SECONDS + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$SECONDS" -lt "$end" ] || return 1
        sleep 0.3
    done
}
journal() {
    inside journalctl -q --no-pager -o cat -u "$1" | tail -n 20 >&2
}
step() {
    echo "ok: $*"
}

inside dpkg -i /root/edgerow.deb >"$work/dpkg.log" 2>&1 || { cat "$work/dpkg.log" >&2; fail "dpkg -i"; }
grep -q "write /etc/edgerow/gateway.ini" "$work/dpkg.log" || fail "the installation does not say what comes next"
[ "$(inside systemctl is-active edgerow-gateway)" = inactive ] || fail "the gateway runs without settings"
inside getent passwd edgerow-gateway edgerow-collector >/dev/null || fail "the users are missing"
[ -z "$(inside systemctl --failed --no-legend | grep edgerow || true)" ] || fail "a unit failed without settings"
step "installed; users exist; without settings nothing runs and nothing fails"

inside sh -ec '
    cp /root/settings/* /etc/edgerow/
    cp /usr/share/edgerow/broker/edgerow.conf /etc/mosquitto/conf.d/
    cp /usr/share/edgerow/broker/edgerow.acl /etc/mosquitto/
    touch /etc/mosquitto/edgerow.users
    mosquitto_passwd -b /etc/mosquitto/edgerow.users gateway-north one
    mosquitto_passwd -b /etc/mosquitto/edgerow.users collector two
    mosquitto_passwd -b /etc/mosquitto/edgerow.users display three
    chown mosquitto: /etc/mosquitto/edgerow.users; chmod 0600 /etc/mosquitto/edgerow.users
    echo one > /etc/edgerow/gateway.password; echo two > /etc/edgerow/collector.password
    chown edgerow-gateway: /etc/edgerow/gateway.password /etc/edgerow/keys.csv
    chown edgerow-collector: /etc/edgerow/collector.password
    chmod 0600 /etc/edgerow/*.password /etc/edgerow/keys.csv
    systemctl restart mosquitto' 2>"$work/setup.log" || { cat "$work/setup.log" >&2; inside journalctl -q --no-pager -u mosquitto | tail >&2; fail "the broker does not start with our settings"; }
inside systemctl start edgerow-gateway || { journal edgerow-gateway; fail "the gateway does not start"; }
inside systemctl start edgerow-collector || { journal edgerow-collector; fail "the collector does not start"; }
for daemon in gateway collector; do
    within 10 sh -c "nsenter -t $leader -m -p -u -i -n -C journalctl -q -o cat -u edgerow-$daemon | grep -q 'connected with MQTT 5'" ||
        { journal "edgerow-$daemon"; fail "the $daemon does not reach the broker"; }
    [ "$(inside ps -o user:32= -C "edgerow-$daemon" | tr -d ' ')" = "edgerow-$daemon" ] || fail "the $daemon runs as another user"
done
step "both daemons run as their users and reach the broker with password and access list"

subscribe="mosquitto_sub -h 127.0.0.1 -u display -P three -C 1 -W 20"
inside $subscribe -t 'edgerow/home/gateway/north/health' >"$work/health" || fail "no health message within 20 s"
inside $subscribe -t 'edgerow/home/collector/main/presence' >/dev/null || fail "the collector does not say that it is there"
inside mosquitto_pub -h 127.0.0.1 -u gateway-north -P one -q 1 -V 5 -t edgerow/home/collector/main/presence -m forged 2>&1 | grep -qi 'not authorized' ||
    fail "the gateway's user may write what is the collector's"
if inside mosquitto_pub -h 127.0.0.1 -t edgerow/home/x -m y >/dev/null 2>&1; then fail "the broker lets strangers in"; fi
step "the feed is read along with; a gateway's user may not speak for the collector, a stranger not at all"
# The first worked example of AIR.md, over the simulated air.
frame=$(sed -n 's/^frame: \(40[0-9a-f]*\)$/\1/p' "$source/protocol/air/AIR.md" | head -n 1)
inside sh -c "echo 'frame $frame frequency 915900000 bandwidth 500000 sf 7 rssi -100 snr 5' | socat -t 2 - UNIX-CONNECT:/var/lib/edgerow/gateway/air" >"$work/air" ||
    fail "the simulated radio takes no frame"
inside $subscribe -t 'edgerow/home/stored/north/main' >"$work/mark" || { journal edgerow-collector; fail "no stored mark"; }
grep -q '"n": *[1-9]' "$work/mark" || fail "the frame was not stored: $(cat "$work/mark")"
step "a frame on the air is in the collector's store, and the gateway was told"

# The shipped patience would make this test minutes longer.
for daemon in gateway collector; do
    inside mkdir -p "/run/systemd/system/edgerow-$daemon.service.d"
    printf '[Service]\nWatchdogSec=6\n' | inside tee "/run/systemd/system/edgerow-$daemon.service.d/quick.conf" >/dev/null
done
inside systemctl daemon-reload
for daemon in gateway collector; do
    before=$(inside systemctl show -P MainPID "edgerow-$daemon")
    inside kill -9 "$before"
    within 15 sh -c "nsenter -t $leader -m -p -u -i -n -C sh -c '[ \$(systemctl show -P MainPID edgerow-$daemon) != $before ] && systemctl -q is-active edgerow-$daemon'" ||
        { journal "edgerow-$daemon"; fail "the $daemon does not come back after kill -9"; }
    before=$(inside systemctl show -P MainPID "edgerow-$daemon")
    inside kill -STOP "$before"
    within 60 sh -c "nsenter -t $leader -m -p -u -i -n -C sh -c 'p=\$(systemctl show -P MainPID edgerow-$daemon); [ \$p != $before ] && [ \$p != 0 ] && systemctl -q is-active edgerow-$daemon'" ||
        { journal "edgerow-$daemon"; fail "the watchdog does not replace a $daemon that stands still"; }
done
step "killed or standing still, each daemon is replaced"

inside dpkg -i /root/edgerow.deb >"$work/dpkg.log" 2>&1 || { cat "$work/dpkg.log" >&2; fail "upgrade"; }
inside systemctl -q is-active edgerow-gateway edgerow-collector || fail "an upgrade leaves a daemon stopped"
inside cmp /root/settings/gateway.ini /etc/edgerow/gateway.ini || fail "an upgrade changes settings"
inside dpkg -r edgerow >/dev/null 2>&1 || fail "removal"
[ -z "$(inside pgrep -x 'edgerow-.*' || true)" ] || fail "a daemon runs after removal"
inside test -e /var/lib/edgerow/gateway/spool.db || fail "removal destroys records"
inside dpkg -P edgerow >"$work/dpkg.log" 2>&1 || { cat "$work/dpkg.log" >&2; fail "purge"; }
inside test -e /var/lib/edgerow/gateway/spool.db || fail "a purge destroys records"
[ -z "$(inside find /usr /etc/systemd -path '*edgerow*' -print -quit)" ] || fail "a purge leaves files: $(inside find /usr /etc/systemd -path '*edgerow*')"
step "upgrade, removal and purge keep settings and records and leave nothing else"
inside systemd-analyze security --no-pager edgerow-gateway 2>/dev/null | tail -n 1 || true
echo "$suite: installed, started, used, upgraded, removed"
