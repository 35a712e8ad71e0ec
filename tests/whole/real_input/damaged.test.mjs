// A failing card: files of the shipped daemons are damaged, at rest and in use. What is damaged is found, mended or set
// aside; what was stored comes again from the gateway; and people are told.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { closeSync, openSync, readdirSync, statSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { makeFolder, startBroker, until } from '../support/broker.mjs';
import { startCollector, sums } from '../support/collector.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const { folder, remove } = makeFolder('damaged');
const [unit] = reports;
const traps = [{ trap: 'N-1', devaddr: unit.devaddr }];
const store = join(folder, 'store.db');
const spool = join(folder, 'barn-spool.db');
const PAGE = 4096;
let broker;
let ear;
let world;
let collector;
let gateway;
let heard = 0;

const runCollector = async () => {
  collector = await startCollector(folder, broker.port, { traps, world, followers: gateway ? 2 : 1 });
};
const runGateway = async () => {
  gateway = await startGateway(folder, broker.port, { units: [unit], world });
  await world.followed(2);
  await world.step(1000);
};

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 16));
  await runCollector();
  await runGateway();
});

after(async () => {
  gateway?.air.close();
  await gateway?.stop();
  await collector?.stop();
  await world?.close();
  await ear?.close();
  await broker?.stop();
  remove();
});

const sql = (file, ...text) => execFileSync('sqlite3', ['-cmd', '.timeout 5000', file, ...text],
  { encoding: 'utf8' }).trim();
const aside = (file) => readdirSync(folder).filter((name) => name.startsWith(`${file}.damaged-`) &&
  !/-(wal|shm)$/.test(name));

// `entries` goes up by one with each report, so that a lost one shows.
async function hear(frames) {
  for (let i = 0; i < frames; i++) {
    const bytes = Buffer.from(unit.payload, 'hex');
    bytes.writeUInt32LE(1000 + ++heard, 2);
    await gateway.air.frame(makeFrame(unit, 300 + heard, bytes.toString('hex')));
    await world.step(60000);
  }
}

const count = () => collector.rows('SELECT count(*) AS n FROM report')[0].n;
const stored = (n) => until(`${n} reports in the store`, () => {
  if (collector.ended) throw new Error(collector.output);
  return count() >= n;
});
const total = () => collector.rows(sums).at(-1);

// What the feed tells of, once judging has run: its text.
const told = async (words) => {
  await world.step(300000);
  return until(`a notice that says ${words}`, () => ear.messages.find((m) => /\/notice\//.test(m.topic) &&
    words.test(m.text)));
};

// Nonsense over pages, by number from 1; all but the first when none is named.
function damage(file, pages) {
  const all = Array.from({ length: statSync(file).size / PAGE - 1 }, (_, i) => i + 2);
  const fd = openSync(file, 'r+');
  for (const page of pages ?? all) writeSync(fd, Buffer.alloc(PAGE, 0x5a), 0, PAGE, (page - 1) * PAGE);
  closeSync(fd);
}

test('an index of the store that lacks a row is made anew, and nothing else', async () => {
  await hear(20);
  await stored(20);
  assert.equal(await collector.stop(), 0, collector.output);
  sql(store, '.dbconfig defensive off', `PRAGMA writable_schema = ON;
    CREATE TEMP TABLE kept AS SELECT * FROM main.sqlite_schema WHERE name = 'outbox_waiting';
    DELETE FROM main.sqlite_schema WHERE name = 'outbox_waiting'; PRAGMA writable_schema = RESET;
    INSERT INTO outbox (notice, revision, delivery, made_s, next_s, bytes) VALUES (9, 9, 'a', 1, 1, x'00');
    PRAGMA writable_schema = ON; INSERT INTO main.sqlite_schema SELECT * FROM kept`);
  assert.equal(sql(store, 'PRAGMA quick_check'), 'ok', 'no page looks wrong');
  assert.match(sql(store, 'PRAGMA integrity_check'), /missing from index/);
  await runCollector();
  assert.match(collector.output, /index of the store was damaged and was made anew/);
  assert.equal(sql(store, 'PRAGMA integrity_check'), 'ok');
  assert.equal(count(), 20);
  assert.deepEqual(aside('store.db'), []);
  await told(/index of the database was damaged[^]*card/);
});

test('a page of the store that is damaged sets it aside, and the gateway fills a new one', async () => {
  const before = total();
  assert.equal(await collector.stop(), 0, collector.output);
  damage(store, [sql(store, "SELECT rootpage FROM sqlite_schema WHERE name = 'report'")]);
  await runCollector();
  assert.match(collector.output, /store is damaged. It was moved to/);
  await hear(1); // a row that the new store does not expect: it asks for those before
  await stored(21);
  assert.equal(aside('store.db').length, 1);
  assert.deepEqual(total(), { ...before, total: before.total + 1, last: before.last + 1 });
  await told(/database was damaged. It was moved to[^]*card/);
});

test('pages damaged in use end the collector, and its next start sets them aside', async () => {
  sql(store, 'UPDATE judged SET run_s = run_s; PRAGMA wal_checkpoint(TRUNCATE)');
  sql(store, 'UPDATE judged SET run_s = run_s; PRAGMA wal_checkpoint(TRUNCATE)'); // what it holds in memory is old
  damage(store);
  await world.step(300000);
  await until('the collector to end', () => collector.ended);
  assert.equal(collector.code, 1, collector.output);
  assert.match(collector.output, /database is damaged: .* ends/);
  await runCollector();
  await hear(1);
  await stored(22);
  assert.equal(aside('store.db').length, 2);
  assert.equal(total().total, total().last);
});

test('a page of the spool that is damaged begins a new one, whose first row says so', async () => {
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  damage(spool, [sql(spool, "SELECT rootpage FROM sqlite_schema WHERE name = 'spooled'")]);
  await runGateway();
  assert.match(gateway.output, /spool is damaged. It was moved to .* should be replaced/);
  assert.equal(aside('barn-spool.db').length, 1);
  await until('the row that says so', () => ear.of('row').some((row) => row.n === 1 &&
    row.loss?.why === 'its whole spool was damaged'));
  await hear(5);
  await stored(27);
  assert.equal(total().total, total().last);
  await told(/its whole spool was damaged[^]*Replace its memory card/);
});

test('all that was published fits its schema', () => assert.deepEqual(ear.invalid, []));
