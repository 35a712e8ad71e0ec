#!/bin/bash
# Who may see whom: the include lines of every room, and which files see a foreign library's header.
# Usage: tests/rooms.sh [FOLDER]; prints each breach and exits 1 if there is any.
set -euo pipefail
cd "${1:-$(dirname "$0")/..}"
breaches=0

# forbid ROOM PATTERN WHY: no file below ROOM includes what matches PATTERN.
forbid() {
    local found
    [ -d "$1" ] || return 0
    found=$(grep -rnE --include='*.[ch]' "^[[:space:]]*#[[:space:]]*include[[:space:]]*[\"<]($2)" "$1" || true)
    if [ -n "$found" ]; then
        printf '%s\n    %s\n' "$found" "$3"
        breaches=$((breaches + $(wc -l <<<"$found")))
    fi
}

# one_seam HEADER FILE...: only these files include HEADER.
one_seam() {
    local header=$1 found file
    shift
    found=$(grep -rlE --include='*.[ch]' "#[[:space:]]*include[[:space:]]*<$header>" protocol common gateway collector 2>/dev/null || true)
    for file in $found; do
        case " $* " in
        *" $file "*) ;;
        *)
            echo "$file: includes <$header>, which only $* may see"
            breaches=$((breaches + 1))
            ;;
        esac
    done
}

forbid gateway 'collector/' 'the gateway does not know the collector'
forbid gateway 'deploy/|tests/' 'a daemon does not know tests or rehearsals'
forbid common '(gateway|collector|protocol|deploy|tests)/' 'common knows no other room'
forbid protocol '(gateway|collector|common|deploy|tests)/' 'protocol knows no other room'
forbid protocol/air 'protocol/feed/' 'the air does not know the feed'
forbid protocol/air '(stdlib|stdio|time|unistd|sys/[a-z]*|errno)\.h' 'the air is freestanding C'
forbid deploy '(gateway|collector)/' 'a simulated world shares no code with what it checks'
# The command alone reads both daemons' settings.
for room in collector/*/; do
    [ "$room" = collector/cli/ ] || forbid "${room%/}" 'gateway/' 'the collector does not know the gateway'
    forbid "${room%/}" 'deploy/|tests/' 'a daemon does not know tests or rehearsals'
done

one_seam 'ini\.h' common/settings_lines.c
one_seam 'mosquitto\.h' common/session_link.c
one_seam 'mqtt_protocol\.h' common/session_link.c
one_seam 'linux/spi/spidev\.h' gateway/radio/spidev.c
one_seam 'gpiod\.h' gateway/radio/gpiod.c
one_seam 'curl/curl\.h' collector/delivery/smtp.c
one_seam 'libnova/.*' collector/season/sun.c
one_seam 'csv\.h' collector/roster/lines.c gateway/verify/keyfile.c

[ "$breaches" = 0 ] || { echo "$breaches breaches of the rooms' rules"; exit 1; }
