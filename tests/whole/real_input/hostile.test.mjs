// Somebody who means ill, on the air and on the broker, with the shipped rights: nothing of it is stored or counted, no
// other station is the worse for it, and people are told where they should know.
import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { connect, makeFolder, startBroker, until } from '../support/broker.mjs';
import { startCollector, sums } from '../support/collector.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const QUARTER = 900000, DAY = 96; // of an hour; quarters
const { folder, remove } = makeFolder('hostile');
const passwords = { 'gateway-north': 'north-invented', collector: 'collector-invented', display: 'read-along' };
const login = (user) => ({ user, password: passwords[user] });
const key = (text) => createHash('md5').update(text).digest('hex'); // any 16 bytes
const stations = ['01000001', '01000002'].map((devaddr) => ({ devaddr, nwkskey: key(`n${devaddr}`),
  appskey: key(`a${devaddr}`), fcnt: 0, entries: 1000 }));
const [victim, other] = stations;
let broker, ear, world, collector, north, barn;

before(async () => {
  broker = await startBroker(folder, passwords);
  ear = await listen(broker.port, 'home', login('display'));
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 16), { settle: 20 });
  collector = await startCollector(folder, broker.port, { world, login: login('collector'),
    traps: stations.map((s, i) => ({ trap: `N-${i + 1}`, devaddr: s.devaddr })) });
  north = await startGateway(folder, broker.port, { name: 'north', units: stations, world,
    login: login('gateway-north') });
  await world.followed(2);
  await world.step(1000);
});

after(async () => {
  for (const gateway of [north, barn]) {
    gateway?.air.close();
    await gateway?.stop();
  }
  await collector?.stop();
  await world?.close();
  await ear?.close();
  await broker?.stop();
  remove();
});

// A station's next report; `entries` goes up by one with each, so that a lost one shows.
function report(station) {
  const bytes = Buffer.from(reports[0].payload, 'hex');
  bytes.writeUInt32LE(++station.entries, 2);
  return makeFrame(station, ++station.fcnt, bytes.toString('hex'));
}

async function speak() {
  for (const station of stations) await north.air.frame(report(station));
  await world.step(QUARTER);
}

// Health comes once a step, and nobody is to seem away.
async function pass(quarters) {
  for (let i = 0; i < quarters; i++) await world.step(QUARTER);
}

const count = (table) => collector.rows(`SELECT count(*) AS n FROM ${table}`)[0].n;
const stored = () => until('every report in the store', () => {
  for (const daemon of [collector, north, barn]) if (daemon?.ended) throw new Error(daemon.output);
  return count('report') >= victim.fcnt + other.fcnt;
});
const hours = () => collector.rows('SELECT * FROM hour ORDER BY hour_s, series');
async function allIsAsItShouldBe() {
  await stored();
  assert.equal(count('report'), victim.fcnt + other.fcnt);
  assert.equal(count('quarantine'), 0);
  assert.deepEqual(collector.rows(sums).map((s) => [s.devaddr, s.total, s.last]),
    stations.map((s) => [s.devaddr, s.entries, s.entries]));
}
const told = (words) => until(`a notice that says ${words}`, () => ear.messages.find((m) =>
  /\/notice\//.test(m.topic) && words.test(m.text)));
const health = (name) => ear.last(`edgerow/home/gateway/${name}/health`);
const memory = (daemon) => Number(/VmRSS:\s+(\d+)/.exec(
  readFileSync(`/proc/${daemon.child.pid}/status`, 'utf8'))[1]) / 1024;

// A fixed row of numbers, so that a failure can be repeated.
let state = 4711;
const dice = (below) => {
  state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
  return Math.floor(state / 2 ** 32 * below);
};
const bytes = (n) => Buffer.from(Array.from({ length: n }, () => dice(256)));

test('30,000 frames that nobody of ours sent', async () => {
  await speak();
  await stored();
  const before = memory(north);
  const lines = north.output.split('\n').length;
  const made = Buffer.from(report(victim), 'hex');
  victim.fcnt--, victim.entries--;
  const forged = () => { // a true address, a counter that would be next, any payload and code
    const frame = Buffer.from(made);
    bytes(frame.length - 9).copy(frame, 9);
    return frame;
  };
  const unknown = () => { // a whole data frame of a unit that we do not have
    const frame = forged();
    frame.writeUInt32LE(0x02000000 + dice(1 << 24), 1);
    return frame;
  };
  const unusable = () => Buffer.concat([Buffer.from([0xe0]), bytes(1 + dice(60))]);
  const kinds = [forged, unknown, unusable];
  for (let round = 0; round < 30; round++) {
    const flood = Array.from({ length: 1000 }, (_, i) => north.air.line(kinds[i % 3]().toString('hex')));
    await north.air.raw(flood.join(''));
    await speak(); // the next of ours, right behind
  }
  await allIsAsItShouldBe();
  await world.step(60000);
  const { forged: f, unknown: u, unusable: n } = await until('health', () => health('north').forged > 0 && health('north'));
  assert.deepEqual([f, u, n], [10020, 9990, 9990]);
  const more = memory(north) - before;
  console.log(`30,000 frames of strangers: the gateway took ${more.toFixed(1)} MiB more and wrote ` +
    `${north.output.split('\n').length - lines} lines`);
  assert.ok(more < 4, `${more} MiB more`);
  assert.ok(north.output.split('\n').length - lines < 30, north.output);
  await world.step(300000);
  const notice = await told(/\d+ frames within a day bear a station's address and fit none of its keys/);
  assert.equal(notice.value.title, 'Gateway north: data to look at'); // there is a block of that name too
});

test('a frame recorded at one gateway and played at another days later', async () => {
  const last = report(victim); // the last before its battery fails
  await north.air.frame(last);
  await allIsAsItShouldBe();
  const recorded = hours(), heardAt = () => ear.last('edgerow/home/trap/N-1').last_heard_at;
  await pass(16); // states are said every three hours
  const at = heardAt();
  assert.ok(Date.parse(at) > world.now - 20 * QUARTER);
  // The second gateway never heard the station. The shipped example has one gateway: this one has the wider rights.
  barn = await startGateway(folder, broker.port, { name: 'barn', units: stations, world, login: login('collector') });
  await world.followed(3);
  await pass(2.5 * DAY);
  await barn.air.frame(last);
  await until('its row', () => ear.messages.some((m) => m.topic === 'edgerow/home/gateway/barn/row'));
  await pass(13);
  await allIsAsItShouldBe();
  assert.deepEqual(hours(), recorded, 'it moves no hour');
  assert.equal(heardAt(), at, 'nor does it make a dead station seem alive');
  for (let i = 0; i < 4; i++) await barn.air.frame(last); // once more: now it is known there too
  await pass(2);
  assert.equal(health('barn').replayed, 4);
  await told(/4 frames within a day were heard again long after their time/);
  await allIsAsItShouldBe();
});

test("a station's keys in a second device", async () => {
  await speak();
  await stored();
  const counted = { entries: victim.entries, fcnt: victim.fcnt };
  const clone = { ...victim, fcnt: victim.fcnt - 1, entries: 50 };
  await barn.air.frame(report(clone)); // the counter of the true one's last frame, other bytes
  await until('its row', () => ear.of('row').filter((row) => row.frame?.fcnt === clone.fcnt).length >= 2);
  await allIsAsItShouldBe();
  assert.deepEqual({ entries: victim.entries, fcnt: victim.fcnt }, counted);
  const reset = { ...victim, fcnt: 0 }; // a station that lost its memory
  for (let i = 0; i < 5; i++) await north.air.frame(report(reset));
  await pass(DAY); // the morning's letter
  await told(/keys in a second station/);
  await told(/frames within a day came from a station whose frame counter began again/);
  await allIsAsItShouldBe();
});

test('20,000 messages of somebody who may only read, and of nobody', async () => {
  await assert.rejects(connect(broker.port), /Not authorized/);
  await assert.rejects(connect(broker.port, { username: 'collector', password: 'guessed' }), /Not authorized/);
  const reader = await connect(broker.port, { username: 'display', password: passwords.display, clientId: 'reader' });
  const row = ear.messages.filter((m) => m.topic === 'edgerow/home/gateway/north/row').at(-1);
  const mark = ear.messages.filter((m) => m.topic === 'edgerow/home/stored/north/office').at(-1);
  const far = JSON.stringify({ ...mark.value, n: row.value.n + 1000 });
  const next = JSON.stringify({ ...row.value, n: row.value.n + 1 });
  const rows = ear.of('row').length;
  const topics = [['gateway/north/row', next], ['stored/north/office', far], ['lease/office/01000001', ''],
    ['trap/N-1', ''], ['gateway/north/row', 'x'.repeat(5000)]];
  for (let i = 0; i < 20000; i++) {
    const [topic, text] = topics[i % topics.length];
    reader.publish(`edgerow/home/${topic}`, text, { qos: 0, retain: i % 2 === 0 });
  }
  await reader.publishAsync('edgerow/home/gateway/north/row', next, { qos: 1 }).catch(() => {});
  await speak();
  await allIsAsItShouldBe();
  await reader.endAsync();
  await world.step(300000);
  assert.equal(ear.of('row').length, rows + stations.length, 'only the gateway spoke');
  assert.equal(health('north').marks_refused, 0);
  assert.equal(health('north').marks_ignored, 0);
  assert.ok(ear.last('edgerow/home/trap/N-1'), 'no state was cleared');
});

test('all that was published fits its schema', () => assert.deepEqual(ear.invalid, []));
