// What a stranger writes on the topic of rows: each message is counted, kept or said in the log, the collector
// lives, and every row of the real gateway is stored in the end.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { connect, makeFolder, startBroker, until } from '../support/broker.mjs';
import { startCollector, sums } from '../support/collector.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const { folder, remove } = makeFolder('bad-rows');
const [unit] = reports;
const topic = 'edgerow/home/gateway/barn/row';
let broker;
let ear;
let world;
let collector;
let gateway;
let stranger;
let heard = 0; // frames the real gateway heard

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  stranger = await connect(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 16));
  collector = await startCollector(folder, broker.port,
    { traps: [{ trap: 'N-1', devaddr: unit.devaddr }], world });
  gateway = await startGateway(folder, broker.port, { units: [unit], world });
  await world.followed(2);
  await world.step(1000);
});

after(async () => {
  gateway?.air.close();
  await gateway?.stop();
  await collector?.stop();
  await world?.close();
  await stranger?.endAsync();
  await ear?.close();
  await broker?.stop();
  remove();
});

const count = (table) => collector.rows(`SELECT count(*) AS n FROM ${table}`)[0].n;

// The real gateway hears one more report; `entries` goes up by one with each, so that a lost one shows.
function payload() {
  const bytes = Buffer.from(unit.payload, 'hex');
  bytes.writeUInt32LE(1000 + heard, 2);
  return bytes.toString('hex');
}

async function hear(frames = 1) {
  for (let i = 0; i < frames; i++) {
    heard++;
    await gateway.air.frame(makeFrame(unit, 300 + heard, payload()));
  }
}

// Everything the real gateway heard is on the broker, and stored, once.
async function allStored() {
  await until(`${heard} reports in the store`, () => {
    if (collector.ended) throw new Error(collector.output);
    if (gateway.ended) throw new Error(gateway.output);
    return count('report') >= heard;
  });
  await until('the rows on the broker', () =>
    ear.of('row').some((row) => row.frame?.fcnt === 300 + heard));
  const fcnts = collector.rows('SELECT fcnt FROM report ORDER BY fcnt').map((r) => r.fcnt);
  assert.deepEqual(fcnts, Array.from({ length: heard }, (_, i) => 301 + i));
}

async function say(text, where = topic) {
  ear.expect(where, text);
  await stranger.publishAsync(where, text, { qos: 1 });
}

const lastRow = () => ear.messages.filter((m) => m.topic === topic).at(-1);

test('malformed, huge and doubled messages are said once and harm nothing', async () => {
  await hear(3);
  await allStored();
  const real = lastRow().text;
  const wrong = ['', 'null', '{}', '[1,2', '"row"', '{"version":1}', 'x'.repeat(100000),
    '['.repeat(20000), `{"a":${'{"a":'.repeat(3000)}1${'}'.repeat(3001)}`, real.slice(0, 300),
    `${real} `.repeat(2), real.replace('"n":3', '"n":3,"n":3'), real.replace('"n":3', '"n":"3"'),
    real.replace(/"spool":"[^"]+"/, '"spool":"../../etc"'), `\u0000${real}`, `${real}\u0000`];
  for (const text of wrong) await say(text);
  await stranger.publishAsync(topic, Buffer.from([0x7b, 0xff, 0xfe, 0x00, 0x7d]), { qos: 1 });
  await say(real, 'edgerow/home/gateway/no+such/row'.replace('+', '%'));
  await hear(2);
  await allStored();
  assert.equal(count('quarantine'), 0);
});

test('a row said twice is stored once', async () => {
  const real = ear.messages.filter((m) => m.topic === topic && m.value).map((m) => m.text);
  for (const text of real) await say(text);
  await hear();
  await allStored();
  assert.equal(count('heard'), heard);
});

test('a row of a future version, and one that is out of range, are kept whole', async () => {
  const real = JSON.parse(lastRow().text);
  const spool = 'feedfeedfeedfeed'; // a gateway with newer software and a spool of its own
  const newer = JSON.stringify({ ...real, version: 2, spool, n: 1, oldest: 1, more: { than: 'we know' } });
  const odd = JSON.stringify({ ...real, spool, n: 2, oldest: 1, frame: { ...real.frame, fcnt: -1 } });
  const kind = JSON.stringify({ ...real, spool, n: 3, oldest: 1, kind: 'weather' });
  for (const text of [newer, odd, kind]) await say(text, 'edgerow/home/gateway/shed/row');
  await until('the quarantine', () => count('quarantine') === 3);
  assert.deepEqual(collector.rows('SELECT gateway, row FROM quarantine ORDER BY id'),
    [newer, odd, kind].map((row) => ({ gateway: 'shed', row })));
  await until('their mark', () => ear.last('edgerow/home/stored/shed/office')?.n === 3);
  await hear();
  await allStored();
});

test('a stranger under the gateway\'s own name and spool cannot lose a row', async () => {
  const real = JSON.parse(lastRow().text);
  const poison = JSON.stringify({ ...real, n: real.n + 1, hash: 'ab'.repeat(16),
    frame: { ...real.frame, devaddr: '00000001' } });
  await say(poison);
  await until('the quarantine', () => count('quarantine') === 4);
  await hear(3);
  await allStored();
});

// The gateway renews its spool once an hour at most, and when it starts.
test('a second such row within the hour only delays', async () => {
  const far = JSON.stringify({ ...JSON.parse(lastRow().text), n: 900000, oldest: 900000, hash: 'cd'.repeat(16) });
  await say(far);
  await hear(2);
  await until('the refusal', async () => {
    await world.step(60000);
    return ear.last('edgerow/home/gateway/barn/health').marks_refused >= 2;
  });
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  gateway = await startGateway(folder, broker.port, { units: [unit], world });
  await world.followed(2);
  await world.step(1000);
  await hear();
  await allStored();
});

test('people are told, and the figures still add up', async () => {
  for (let i = 0; i < 20; i++) await world.step(60000);
  const health = ear.last('edgerow/home/collector/office/health');
  assert.equal(health.reports, heard);
  assert.equal(health.quarantined, count('quarantine'));
  const data = ear.of('notice-state').filter((n) => n.kind === 'data').map((n) => n.text).join('\n');
  assert.match(data, /not rows/);
  assert.match(data, /cannot be used yet/);
  assert.match(data, /what it holds is not what is stored here/);
  for (const { total, last } of collector.rows(sums)) assert.equal(total, last);
});

test('both daemons end in order, and all they published fits its schema', async () => {
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  assert.equal(await collector.stop(), 0, collector.output);
  assert.deepEqual(ear.invalid.filter((m) => !m.includes('\ufffd')), []);
});
