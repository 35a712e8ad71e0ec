#!/bin/bash
# The broker's settings as shipped: a real mosquitto takes them, lets nobody in without a password, lets each
# user say only what is its own, and holds more than its defaults would for a client that is away.
set -euo pipefail
source=$1
work=$(mktemp -d)
broker=
cleanup() {
    [ -z "$broker" ] || { kill "$broker" 2>/dev/null || true; wait "$broker" 2>/dev/null || true; }
    rm -rf "$work"
}
trap cleanup EXIT
port=$(python3 -c 'import socket; s=socket.socket(); s.bind(("127.0.0.1",0)); print(s.getsockname()[1])')
touch "$work/edgerow.users"
for user in gateway-north collector display; do
    mosquitto_passwd -b "$work/edgerow.users" "$user" "secret-$user" 2>/dev/null
done
chmod 0700 "$work/edgerow.users"
cp "$source/deploy/broker/edgerow.acl" "$work/"
sed -e "s|^listener 1883 |listener $port |" -e "s|/etc/mosquitto/|$work/|" "$source/deploy/broker/edgerow.conf" >"$work/edgerow.conf"
printf 'persistence true\npersistence_location %s/\nuser root\n' "$work" >>"$work/edgerow.conf"
mosquitto -c "$work/edgerow.conf" >"$work/log" 2>&1 &
broker=$!
as() { # USER PROGRAM ARGUMENTS
    local user=$1 program=$2
    shift 2
    "$program" -h 127.0.0.1 -p "$port" -V 5 -q 1 -u "$user" -P "secret-$user" "$@"
}
for _ in $(seq 100); do
    as collector mosquitto_pub -t edgerow/home/ready -m 1 2>/dev/null && break
    kill -0 "$broker" 2>/dev/null || { cat "$work/log"; echo "the broker refuses the settings"; exit 1; }
    sleep 0.1
done
bad=0
refused() { # WHAT COMMAND...
    local what=$1 said
    shift
    said=$("$@" 2>&1) || return 0
    case $said in
    *[Nn]'ot authorized'*) ;;
    *)
        echo "allowed: $what"
        bad=1
        ;;
    esac
}
refused "a stranger" mosquitto_pub -h 127.0.0.1 -p "$port" -t edgerow/home/x -m x
refused "a wrong password" mosquitto_pub -h 127.0.0.1 -p "$port" -u collector -P wrong -t edgerow/home/x -m x
refused "a gateway speaking for another" as gateway-north mosquitto_pub -t edgerow/home/gateway/south/row -m x
refused "a gateway writing a stored mark" as gateway-north mosquitto_pub -t edgerow/home/stored/north/main -m x
refused "a display writing" as display mosquitto_pub -t edgerow/home/trap/t1 -m x
said=$(as gateway-north mosquitto_pub -t edgerow/home/gateway/north/row -m x 2>&1)
[ -z "$said" ] || { echo "refused: a gateway's own row: $said"; bad=1; }
# A client that is away: its session stays, 3,000 messages wait for it, and none is dropped.
as display mosquitto_sub -i away -c -x 3600 -E -t 'edgerow/home/gateway/#'
seq 3000 | as gateway-north mosquitto_pub -l -t edgerow/home/gateway/north/row
got=$(as display mosquitto_sub -i away -c -x 3600 -t 'edgerow/home/gateway/#' -C 3000 -W 30 | sort -un | wc -l || true)
[ "$got" = 3000 ] || { echo "of 3000 queued messages $got came"; bad=1; }
exit $bad
