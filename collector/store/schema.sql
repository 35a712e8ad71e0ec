-- The collector's store. One writing connection. Times are UTC seconds unless a name says otherwise.
-- This is the first layout; what came later is in database.c.
-- Keys begin with time: with stations reporting in turn, a key that begins with the station would touch a
-- page for every row.

CREATE TABLE store (
  one     INTEGER PRIMARY KEY CHECK (one = 1),
  id      TEXT NOT NULL,                -- 16 hex digits, random; a store made anew has a new one
  made_s  INTEGER NOT NULL
) STRICT;

-- What is on disk of each spool: the contiguous prefix. The mark of a gateway speaks of the spool seen last.
CREATE TABLE spool (
  spool   TEXT PRIMARY KEY,             -- 16 hex digits
  gateway TEXT NOT NULL,
  n       INTEGER NOT NULL,             -- last row of the prefix
  hash    TEXT NOT NULL,                -- the hash that came with it
  passed  INTEGER NOT NULL DEFAULT 0,   -- rows of gaps that can never be filled
  seen_s  INTEGER NOT NULL
) STRICT;

-- The unit of conservation: unit, key check value, counter epoch. At all times
-- sum(hour.entries) + pruned + unplaced = entries, modulo 2^32.
CREATE TABLE series (
  series     INTEGER PRIMARY KEY,
  devaddr    INTEGER NOT NULL,
  key_check  INTEGER NOT NULL,
  epoch      INTEGER NOT NULL,
  anchor     INTEGER NOT NULL DEFAULT -1,-- FCnt of the oldest report kept: at or below it are counted and ignored
  first_fcnt INTEGER NOT NULL,          -- lowest report held
  pruned     INTEGER NOT NULL DEFAULT 0,-- entries in hours that were pruned
  unplaced   INTEGER NOT NULL DEFAULT 0,-- entries before the first report, not covered by its intervals
  last_fcnt  INTEGER NOT NULL,
  last_at_s  INTEGER NOT NULL,          -- key of the last report
  entries    INTEGER NOT NULL,          -- last counter heard
  heard_s    INTEGER NOT NULL,          -- when it was heard
  reports    INTEGER NOT NULL,
  ignored    INTEGER NOT NULL DEFAULT 0,-- reports at or below the anchor
  UNIQUE (devaddr, key_check, epoch)
) STRICT;

-- Every report, once. Identity is (series' unit and key, fcnt). at_s is the instant under which it is filed:
-- when heard, but never before the unit's report with the next lower FCnt nor after the next higher, so that
-- the rows of one unit are in FCnt order by time too, and a suffix by time is a suffix by FCnt. It never
-- changes; heard_ms may.
CREATE TABLE report (
  at_s     INTEGER NOT NULL,
  series   INTEGER NOT NULL REFERENCES series,
  fcnt     INTEGER NOT NULL,            -- full 32 bits
  heard_ms INTEGER NOT NULL,            -- end of the frame; canonical: the earliest synchronised copy
  air_ms   INTEGER NOT NULL,            -- time on air
  sure     INTEGER NOT NULL,            -- 1: from a synchronised clock
  payload  BLOB NOT NULL,
  PRIMARY KEY (at_s, series, fcnt)
) STRICT, WITHOUT ROWID;

-- Which gateways heard it, as they said it; the offset of a boot is applied on use.
CREATE TABLE heard (
  at_s     INTEGER NOT NULL,            -- the report's key
  series   INTEGER NOT NULL,
  fcnt     INTEGER NOT NULL,
  gateway  TEXT NOT NULL,
  heard_ms INTEGER NOT NULL,
  sure     INTEGER NOT NULL,
  boot     TEXT NOT NULL,
  rssi_cdbm INTEGER NOT NULL,
  snr_cdb   INTEGER NOT NULL,
  PRIMARY KEY (at_s, series, fcnt, gateway)
) STRICT, WITHOUT ROWID;
CREATE INDEX heard_unsure ON heard (gateway, boot) WHERE sure = 0;

-- Raw passes by series and local hour. hour_s: the UTC second at which the local hour begins.
CREATE TABLE hour (
  hour_s   INTEGER NOT NULL,
  series   INTEGER NOT NULL,
  entries  INTEGER NOT NULL DEFAULT 0,
  spread   INTEGER NOT NULL DEFAULT 0,  -- entries among them that were spread over a gap
  exits    INTEGER NOT NULL DEFAULT 0,
  shorts   INTEGER NOT NULL DEFAULT 0,
  blocked_s INTEGER NOT NULL DEFAULT 0,
  covered_s INTEGER NOT NULL DEFAULT 0, -- seconds of the hour in intervals whose entries are known exactly
  counted_s INTEGER NOT NULL DEFAULT 0, -- those, and seconds between two reports: only their total is known
  PRIMARY KEY (hour_s, series)
) STRICT, WITHOUT ROWID;

-- Derived from hour and the roster, kept as rows are ingested; made again when dated assignments change.
-- revision: how often a day changed after it had ended.
CREATE TABLE trap_day (
  day_s INTEGER NOT NULL, trap TEXT NOT NULL,
  entries INTEGER NOT NULL DEFAULT 0, spread INTEGER NOT NULL DEFAULT 0,
  exits INTEGER NOT NULL DEFAULT 0, shorts INTEGER NOT NULL DEFAULT 0, blocked_s INTEGER NOT NULL DEFAULT 0,
  covered_s INTEGER NOT NULL DEFAULT 0, counted_s INTEGER NOT NULL DEFAULT 0,
  revision INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (day_s, trap)
) STRICT, WITHOUT ROWID;
CREATE TABLE block_hour (
  hour_s INTEGER NOT NULL, block TEXT NOT NULL,
  entries INTEGER NOT NULL DEFAULT 0, spread INTEGER NOT NULL DEFAULT 0,
  exits INTEGER NOT NULL DEFAULT 0, shorts INTEGER NOT NULL DEFAULT 0, blocked_s INTEGER NOT NULL DEFAULT 0,
  covered_s INTEGER NOT NULL DEFAULT 0, counted_s INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (hour_s, block)
) STRICT, WITHOUT ROWID;
-- Keyed by block first: few blocks, and a question about a season of one block reads neighbouring rows.
CREATE TABLE block_day (
  day_s INTEGER NOT NULL, block TEXT NOT NULL,
  entries INTEGER NOT NULL DEFAULT 0, spread INTEGER NOT NULL DEFAULT 0,
  exits INTEGER NOT NULL DEFAULT 0, shorts INTEGER NOT NULL DEFAULT 0, blocked_s INTEGER NOT NULL DEFAULT 0,
  covered_s INTEGER NOT NULL DEFAULT 0, counted_s INTEGER NOT NULL DEFAULT 0,
  revision INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (block, day_s)
) STRICT, WITHOUT ROWID;
-- Passes of units that no assignment covered at that hour.
CREATE TABLE unassigned_day (
  day_s INTEGER NOT NULL, devaddr INTEGER NOT NULL,
  entries INTEGER NOT NULL DEFAULT 0, spread INTEGER NOT NULL DEFAULT 0,
  exits INTEGER NOT NULL DEFAULT 0, shorts INTEGER NOT NULL DEFAULT 0, blocked_s INTEGER NOT NULL DEFAULT 0,
  covered_s INTEGER NOT NULL DEFAULT 0, counted_s INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (day_s, devaddr)
) STRICT, WITHOUT ROWID;
-- Hours before this local midnight are pruned: what late reports place there is added to series.pruned, and
-- derived rows of days before it stay as they are.
CREATE TABLE pruned (
  one INTEGER PRIMARY KEY CHECK (one = 1), before_s INTEGER NOT NULL
) STRICT;
-- What the derived rows were made from: roster, time zone, software.
CREATE TABLE derived (
  one INTEGER PRIMARY KEY CHECK (one = 1), made_from TEXT NOT NULL
) STRICT;

-- Rows the collector could not use, kept whole and tried again when roster or software change.
CREATE TABLE quarantine (
  id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, gateway TEXT NOT NULL, why TEXT NOT NULL, row TEXT NOT NULL
) STRICT;                               -- row: the message as published
-- The same identity with other bytes.
CREATE TABLE conflict (
  id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, gateway TEXT NOT NULL,
  devaddr INTEGER NOT NULL, key_check INTEGER NOT NULL, fcnt INTEGER NOT NULL, payload BLOB NOT NULL
) STRICT;
-- Rows that no longer exist, as the gateway said or as a gap showed.
CREATE TABLE loss (
  at_s INTEGER NOT NULL, gateway TEXT NOT NULL, spool TEXT NOT NULL,
  first INTEGER NOT NULL, last INTEGER NOT NULL, count INTEGER NOT NULL, why TEXT NOT NULL,
  PRIMARY KEY (spool, first, last)
) STRICT;
-- Offsets that correct the unsynchronised times of one boot.
CREATE TABLE boot (
  gateway TEXT NOT NULL, boot TEXT NOT NULL, offset_ms INTEGER NOT NULL, PRIMARY KEY (gateway, boot)
) STRICT;

-- What people entered; also kept in a second file and replayed.
CREATE TABLE visit (
  id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, trap TEXT NOT NULL,
  action TEXT NOT NULL,                 -- topped up, replaced, emptied, cleaned
  litres REAL, by_whom TEXT NOT NULL, entered_s INTEGER NOT NULL
) STRICT;
CREATE TABLE hand_count (
  id INTEGER PRIMARY KEY, visit INTEGER NOT NULL REFERENCES visit, kind TEXT NOT NULL, count INTEGER NOT NULL
) STRICT;

-- Conditions the collector keeps an eye on, and what they opened.
CREATE TABLE watch (
  kind INTEGER NOT NULL, subject TEXT NOT NULL, item TEXT NOT NULL,
  state INTEGER NOT NULL, since_s INTEGER NOT NULL, notice INTEGER NOT NULL DEFAULT 0,
  detail TEXT NOT NULL DEFAULT '',
  PRIMARY KEY (kind, subject, item)
) STRICT, WITHOUT ROWID;
CREATE TABLE notice (
  id INTEGER PRIMARY KEY, kind INTEGER NOT NULL, subject TEXT NOT NULL, revision INTEGER NOT NULL,
  open INTEGER NOT NULL, urgent INTEGER NOT NULL, opened_s INTEGER NOT NULL, changed_s INTEGER NOT NULL,
  sent_s INTEGER NOT NULL DEFAULT 0, acknowledged_s INTEGER NOT NULL DEFAULT 0,
  title TEXT NOT NULL, text TEXT NOT NULL
) STRICT;
-- A message is owed once its row is here. Its bytes are frozen. Identity: (notice, revision, delivery).
CREATE TABLE outbox (
  notice INTEGER NOT NULL, revision INTEGER NOT NULL, delivery TEXT NOT NULL,
  made_s INTEGER NOT NULL, tries INTEGER NOT NULL DEFAULT 0, next_s INTEGER NOT NULL,
  done_s INTEGER NOT NULL DEFAULT 0, given_up_s INTEGER NOT NULL DEFAULT 0, last_error TEXT NOT NULL DEFAULT '',
  bytes BLOB NOT NULL,
  PRIMARY KEY (notice, revision, delivery)
) STRICT, WITHOUT ROWID;
CREATE INDEX outbox_waiting ON outbox (next_s) WHERE done_s = 0 AND given_up_s = 0;
-- When judging last ran, and the morning message it last sent or decided not to.
CREATE TABLE judged (
  one INTEGER PRIMARY KEY CHECK (one = 1), run_s INTEGER NOT NULL, letter_s INTEGER NOT NULL
) STRICT;
