// Frames of the examples in AIR.md, made by lora-packet, spoken into the running gateway: each is a row on
// the broker and a report in the collector's store, exactly as the schemas and AIR.md say.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { makeFolder, startBroker, until } from '../support/broker.mjs';
import { startCollector, sums } from '../support/collector.mjs';
import { expectedReport, makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { channel, startGateway } from '../support/gateway.mjs';

const { folder, remove } = makeFolder('frames');
// A gateway that never heard a unit looks for its counter in the first million frames (thirty years at
// 15 minutes); an example beyond is spoken with a counter of its own.
const fcntOf = (e) => (Number(e.fcnt) < 1 << 20 ? Number(e.fcnt) : 12);
const units = [...new Map(reports.map((e) => [e.devaddr, e])).values()];
// AIR.md gives the key check value of a key pair once.
const keyCheck = (e) => reports.find((o) => o.nwkskey === e.nwkskey && o.key_check).key_check;
let broker;
let ear;
let gateway;
let collector;
let start; // when the first frame was heard

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  const traps = units.map((unit, i) => ({ trap: `N-${i + 1}`, devaddr: unit.devaddr }));
  collector = await startCollector(folder, broker.port, { traps });
  gateway = await startGateway(folder, broker.port, { units });
});

after(async () => {
  gateway?.air.close();
  await gateway?.stop();
  await collector?.stop();
  await ear?.close();
  await broker?.stop();
  remove();
});

const rows = () => ear.of('row');
const frames = () => rows().filter((row) => row.kind === 'frame').map((row) => row.frame);
const waitForRows = (count) => until(`${count} rows`, () => {
  if (gateway.ended) throw new Error(gateway.output);
  return rows().length >= count;
});

test('there are examples to speak of', () => {
  assert.ok(reports.length >= 5);
  assert.ok(reports.some((e) => e.report === 'daily'));
});

test('lora-packet makes the frames that AIR.md shows', () => {
  for (const e of reports)
    assert.equal(makeFrame(e, Number(e.fcnt), e.payload, { confirmed: e.confirmed === 'yes' }), e.frame);
});

test('every example comes out as a row, as documented', async () => {
  start = Date.now() - 60000;
  for (const [i, e] of reports.entries()) {
    const confirmed = e.confirmed === 'yes';
    await gateway.air.frame(makeFrame(e, fcntOf(e), e.payload, { confirmed }),
      { at: start + i * 1001, rssi: -104.25 + i, snr: -3.5 + i / 4 });
  }
  await waitForRows(reports.length);
  const [first] = rows();
  rows().forEach((row, i) => {
    const e = reports[i];
    const { frame: { boot, since_boot_ms, ...frame }, hash, ...rest } = row;
    assert.deepEqual(rest, { version: 1, spool: first.spool, n: i + 1, oldest: 1, kind: 'frame' });
    assert.match(hash, /^[0-9a-f]{32}$/);
    assert.equal(boot, first.frame.boot);
    assert.ok(since_boot_ms > 0);
    assert.deepEqual(frame, {
      devaddr: e.devaddr, key_check: keyCheck(e), fcnt: fcntOf(e),
      confirmed: e.confirmed === 'yes', fport: 10, payload: e.payload,
      heard_at: new Date(start + i * 1001).toISOString(), synchronised: true, radio: 0, ...channel,
      rssi_dbm: -104.25 + i, snr_db: -3.5 + i / 4, report: expectedReport(e),
    });
  });
  assert.equal(new Set(rows().map((row) => row.hash)).size, rows().length);
});

const stored = (what, count) => until(`${count} ${what}s in the store`, () => {
  if (collector.ended) throw new Error(collector.output);
  return collector.rows(`SELECT count(*) AS n FROM ${what}`)[0].n >= count;
});

test('every example is a report in the store', async () => {
  await stored('report', reports.length);
  const found = collector.rows(`SELECT printf('%08x', devaddr) AS devaddr,
    printf('%08x', key_check) AS key_check, epoch, fcnt, heard_ms, sure, air_ms, lower(hex(payload))
    AS payload FROM report JOIN series USING (series) ORDER BY heard_ms`);
  assert.deepEqual(found, reports.map((e, i) => ({ devaddr: e.devaddr, key_check: keyCheck(e),
    epoch: Number(e.epoch), fcnt: fcntOf(e), heard_ms: start + i * 1001, sure: 1,
    air_ms: found[i].air_ms, payload: e.payload })));
  // On the air 19.3 ms with 34 bytes, 21.8 ms with 41: AIR.md's table.
  for (const { air_ms } of found) assert.ok(air_ms >= 19 && air_ms <= 22, String(air_ms));
});

test('the store says who heard it, and how well', () => {
  const heard = collector.rows('SELECT gateway, rssi_cdbm, snr_cdb, boot FROM heard ORDER BY heard_ms');
  const { boot } = frames()[0];
  assert.deepEqual(heard, reports.map((_, i) => ({ gateway: 'barn', rssi_cdbm: -10425 + 100 * i,
    snr_cdb: -350 + 25 * i, boot })));
});

test('hourly passes and what is unplaced add up to the last counter of each series', () => {
  const last = new Map();
  for (const e of reports) last.set(`${e.devaddr} ${e.epoch}`, Number(e.entries));
  const found = collector.rows(sums);
  assert.equal(found.length, last.size);
  for (const { devaddr, epoch, total, last: entries } of found) {
    assert.equal(entries, last.get(`${devaddr} ${epoch}`));
    assert.equal(total, entries, `${devaddr} epoch ${epoch}`);
  }
});

test('the collector says what it has on disk', async () => {
  const { spool, n, hash } = rows().at(-1);
  const mark = await until('the mark', () => {
    const found = ear.last('edgerow/home/stored/barn/office');
    return found?.n === n && found;
  });
  const [{ id }] = collector.rows('SELECT id FROM store');
  assert.deepEqual(mark, { version: 1, store: id, spool, n, hash });
});

test('a payload that is no report is kept whole', async () => {
  const unit = units[0];
  const before = rows().length;
  const made = [['74657374', 1], ['21' + '00'.repeat(27), 10], ['', 10]];
  for (const [i, [payload, fport]] of made.entries())
    await gateway.air.frame(makeFrame(unit, 70200 + i, payload, { fport }));
  await waitForRows(before + made.length);
  assert.deepEqual(frames().slice(before).map((f) => [f.fport, f.payload, f.report]),
    made.map(([payload, fport]) => [fport, payload, null]));
  await stored('quarantine', made.length);
  assert.deepEqual(collector.rows('SELECT gateway, row FROM quarantine ORDER BY id').map((q) =>
    [q.gateway, JSON.parse(q.row).frame.payload]), made.map(([payload]) => ['barn', payload]));
});

test('another channel is not heard', async () => {
  const before = rows().length;
  await gateway.air.frame(makeFrame(units[0], 70500, '00'), { spreading_factor: 9 });
  await gateway.air.frame(makeFrame(units[0], 70501, '00'), { frequency_hz: channel.frequency_hz + 600000 });
  await gateway.air.frame(makeFrame(units[0], 70502, reports[0].payload));
  await waitForRows(before + 1);
  assert.deepEqual(frames().slice(before).map((f) => f.fcnt), [70502]);
});

test('a collector started again misses nothing and stores nothing twice', async () => {
  const report = 'SELECT count(*) AS n FROM report';
  const before = { rows: rows().length, reports: collector.rows(report)[0].n };
  assert.equal(await collector.stop(), 0, collector.output);
  await gateway.air.frame(makeFrame(units[0], 70600, reports[0].payload));
  await waitForRows(before.rows + 1); // said while nobody stores
  const traps = units.map((unit, i) => ({ trap: `N-${i + 1}`, devaddr: unit.devaddr }));
  collector = await startCollector(folder, broker.port, { traps });
  await stored('report', before.reports + 1);
  assert.equal(collector.rows(report)[0].n, before.reports + 1);
});

test('birth and end are announced, and everything fits its schema', async () => {
  const presence = () => ear.last('edgerow/home/gateway/barn/presence');
  assert.equal(presence().online, true);
  assert.ok(Date.parse(presence().started_at) <= Date.now());
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  await until('the end', () => presence().online === false);
  assert.equal(await collector.stop(), 0, collector.output);
  await until('the end', () => ear.last('edgerow/home/collector/office/presence').online === false);
  assert.deepEqual(ear.invalid, []);
});
