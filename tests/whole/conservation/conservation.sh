#!/bin/bash
# Nothing lost: rehearsals with the real programs, compared with the ledger of the simulated vineyard.
# Usage: conservation.sh BUILD smoke|words|order|month|kills|blows|struck|thousand
#   smoke  a small site for four days with every fault and kill -9: exact; and the comparison itself can fail
#   words  what is asked for wrongly is refused with a remedy
#   order  the same frames in another order and other batches give the same rows
#   month  200 stations, 30 days, two gateways, 10 % loss, repeats and late rows, counters lost, units swapped
#   kills  the same with kill -9 of each daemon and of the broker once a day
#   blows  some of each: SIGSTOP, files that cannot be written for a while, a broker that lost what it had saved, kill -9
#   struck  400 of them (BLOWS, when given), in pieces with a seed each, until there were so many
#   thousand  1000 of them (KILLS, when given), in pieces with a seed each, until there were so many
set -euo pipefail

build=$1
what=$2
rehearse=$build/bin/edgerow-rehearse
place=/dev/shm
# Files that cannot be written are made so by a flag that the memory's file system does not heed.
case $what in blows | struck) place=/var/tmp ;; esac
[ -w "$place" ] || place=${TMPDIR:-/tmp}
work=$(mktemp -d "$place/edgerow-conservation-XXXXXX")
trap 'chattr -f -R -i "$work" || true; rm -rf "$work"' EXIT

fail() {
    echo "conservation $what: $1" >&2
    exit 1
}

run() {
    local out=$1
    shift
    "$rehearse" --quiet --out "$work/$out" "$@" >"$work/$out.txt" || {
        tail -n 60 "$work/$out.txt" >&2
        fail "the rehearsal $out failed"
    }
    sed -n '/^Processor/p; /^Besides/p; /^Agreement/,/^$/p' "$work/$out.txt"
}

# What the store says was sent is in the mailbox, and nothing whose time has come still waits there: messages that were
# owed, that arrived, that are missing.
owed() {
    python3 - "$work/$1" <<'PYTHON'
import glob, re, sqlite3, sys
folder = sys.argv[1]
identity = re.compile(rb"^Message-ID: *(<[^>]+>)", re.M | re.I)
arrived = {m.group(1) for f in glob.glob(folder + "/mailbox/*.eml") for m in [identity.search(open(f, "rb").read())] if m}
db = sqlite3.connect(f"file:{folder}/collector/store.db?mode=ro", uri=True)
(judged,) = db.execute("SELECT run_s FROM judged").fetchone()
owed = missing = 0
for notice, revision, to, next_s, done_s, bytes in db.execute(
        "SELECT notice, revision, delivery, next_s, done_s, bytes FROM outbox WHERE given_up_s = 0"):
    if done_s == 0 and next_s > judged - 7200:
        continue  # its time has not come, or only just
    owed += 1
    if identity.search(bytes).group(1) not in arrived:
        missing += 1
        print(f"notice {notice}, revision {revision}, for {to} was owed and is not in the mailbox", file=sys.stderr)
print(f"messages owed {owed}, of these not in the mailbox {missing}")
sys.exit(missing > 0 or owed == 0)
PYTHON
}

# The comparison must find what somebody spoils in the store.
spoil() {
    local name=$1 sql=$2
    rm -rf "$work/spoilt"
    mkdir "$work/spoilt"
    cp -r "$work/run/ledger.db" "$work/run/collector" "$work/run/said.csv" "$work/spoilt/"
    sqlite3 "$work/spoilt/collector/store.db" "$sql"
    if "$rehearse" check "$work/spoilt" >"$work/spoilt.txt" 2>&1; then
        fail "the comparison did not see: $name"
    fi
    echo "seen: $name"
}

case $what in
smoke)
    run run --seed 3 --stations 24 --days 5 --step 60 --loss 0.1 --repeats 0.05 --reorder --kills --crew weekly
    [ "$(sed -n 's/.*kill -9: //p' "$work/run.txt")" -ge 15 ] || fail "too few kills"
    owed run || fail "a message that was owed is missing"
    rm "$(find "$work/run/mailbox" -name '*.eml' | sort | head -n 1)"
    owed run >/dev/null 2>&1 && fail "nobody noticed a message that is missing"
    [ "$(sqlite3 "$work/run/collector/store.db" "SELECT count(*) FROM heard WHERE sure = 0")" -gt 50 ] ||
        fail "no gateway had a wrong clock"
    spoil "a pass too many" "UPDATE hour SET entries = entries + 1 WHERE (hour_s, series) =
        (SELECT hour_s, series FROM hour WHERE entries > 0 LIMIT 1)"
    spoil "a pass in the wrong hour" "UPDATE hour SET entries = entries - 1 WHERE (hour_s, series) =
        (SELECT hour_s, series FROM hour WHERE entries > 3 ORDER BY hour_s DESC LIMIT 1);
        UPDATE hour SET entries = entries + 1 WHERE (hour_s, series) =
        (SELECT h.hour_s, h.series FROM hour h WHERE h.series = (SELECT series FROM hour WHERE entries > 2
        ORDER BY hour_s DESC LIMIT 1) ORDER BY hour_s LIMIT 1)"
    spoil "a report that is gone" "DELETE FROM report WHERE (at_s, series, fcnt) =
        (SELECT at_s, series, fcnt FROM report ORDER BY at_s LIMIT 1 OFFSET 1000)"
    spoil "a report that nobody sent" "INSERT INTO report SELECT at_s, series, fcnt + 100000, heard_ms, air_ms,
        sure, payload FROM report LIMIT 1"
    ;;
words)
    refuse() {
        local expected=$1
        shift
        if "$rehearse" "$@" >"$work/words.txt" 2>&1; then
            fail "was not refused: $*"
        fi
        grep -q -- "$expected" "$work/words.txt" || {
            cat "$work/words.txt" >&2
            fail "did not say \"$expected\": $*"
        }
    }
    mkdir "$work/there" "$work/empty"
    refuse "use a number from 1 to 200" --days 0
    refuse "use a number from 0 to 0.9" --loss 1.5
    refuse "use none, all, or of" --faults gremlins
    refuse "not one of the words" --crew robots
    refuse "divides a day" --step 35
    refuse "write a date like 2026-08-01" --from yesterday
    refuse "name a new folder" --out "$work/there"
    refuse "too long for the sockets" --out "$work/$(printf 'x%.0s' {1..90})"
    refuse "edgerow check" --site "$work/empty"
    refuse "run deploy/rehearsal/weather.sh first" --weather "$work/empty" --out "$work/a"
    refuse "say where the programs are" --programs "$work/empty" --out "$work/b"
    refuse "not understood" gibberish
    cp -r "$(dirname "$0")/../../../deploy/sample" "$work/site"
    sed -i '2s/ridge/rigde/' "$work/site/stations.csv"
    refuse "no such block \"rigde\"" --site "$work/site"
    ;;
order)
    common=(--seed 4 --stations 24 --days 4 --loss 0.1 --repeats 0.05 --crew weekly --faults counters,units)
    run one "${common[@]}" --step 15
    run other "${common[@]}" --step 120 --reorder
    for which in one other; do
        sqlite3 "$work/$which/collector/store.db" "SELECT devaddr, key_check, epoch, hour_s, h.entries, spread,
            exits, shorts, blocked_s, covered_s FROM hour h JOIN series USING (series) ORDER BY 1, 2, 3, 4;
            SELECT devaddr, key_check, epoch, first_fcnt, last_fcnt, entries, unplaced FROM series ORDER BY 1, 2, 3;
            SELECT day_s, trap, entries, exits, shorts, spread, covered_s FROM trap_day ORDER BY day_s, trap" >"$work/$which.rows"
    done
    [ "$(wc -l <"$work/one.rows")" -gt 1000 ] || fail "too few rows to compare"
    cmp "$work/one.rows" "$work/other.rows" || fail "another order gave other rows"
    echo "same rows: $(wc -l <"$work/one.rows")"
    ;;
month | kills)
    options=(--seed 6 --stations 200 --gateways 2 --days 30 --step 60 --loss 0.1 --repeats 0.05 --reorder
        --crew weekly --faults counters,units)
    [ "$what" = month ] || options+=(--kills)
    run run "${options[@]}"
    [ "$what" = month ] || [ "$(sed -n 's/.*kill -9: //p' "$work/run.txt")" -ge 110 ] || fail "too few kills"
    ;;
blows)
    kinds=kill,stop,readonly,emptied looked_for=('stopped for a while' 'read-only for a while'
        'broker without what it had saved')
    exec 9>>"$work/probe"
    if ! chattr -f +i "$work/probe" || echo >&9; then
        echo "no file can be made read-only here (that needs root and ext4): that blow is left out"
        kinds=kill,stop,emptied looked_for=('stopped for a while' 'broker without what it had saved')
    fi 2>/dev/null
    exec 9>&-
    run run --seed 9 --stations 12 --gateways 2 --days 2 --step 60 --loss 0.1 --repeats 0.05 --kills=3 \
        --blows $kinds --crew weekly
    owed run || fail "a message that was owed is missing"
    for kind in "${looked_for[@]}"; do
        [ "$(sed -n "s/^Besides.*$kind \([0-9]*\).*/\1/p" "$work/run.txt")" -ge 1 ] || fail "none was $kind"
    done
    ;;
struck)
    struck=0 wanted=${BLOWS:-400} begin=$SECONDS
    for ((seed = ${SEED:-1}; struck < wanted; seed++)); do
        run run --seed "$seed" --stations 24 --gateways 2 --days 4 --step 60 --loss 0.1 --repeats 0.05 --reorder \
            --kills=12 --blows "${KINDS:-stop,readonly,emptied}" --crew weekly
        owed run || fail "a message that was owed is missing (seed $seed)"
        struck=$((struck + $(sed -n 's/^Besides: stopped for a while \([0-9]*\), read-only for a while \([0-9]*\) .* \([0-9]*\)$/\1 + \2 + \3/p' "$work/run.txt")))
        echo "so far: seed $seed, $struck blows, $((SECONDS - begin)) s: 0 passes lost, 0 counted twice, 0 owed messages missing"
        rm -rf "$work/run"
    done
    ;;
thousand)
    kills=0 wanted=${KILLS:-1000} begin=$SECONDS
    for ((seed = ${SEED:-1}; kills < wanted; seed++)); do
        run run --seed "$seed" --stations 24 --gateways 2 --days 4 --step 60 --loss 0.1 --repeats 0.05 --reorder \
            --kills=12 --crew weekly
        owed run || fail "a message that was owed is missing (seed $seed)"
        kills=$((kills + $(sed -n 's/.*kill -9: //p' "$work/run.txt")))
        echo "so far: seed $seed, $kills kills, $((SECONDS - begin)) s: 0 passes lost, 0 counted twice, 0 owed messages missing"
        rm -rf "$work/run"
    done
    ;;
*)
    fail "unknown"
    ;;
esac
