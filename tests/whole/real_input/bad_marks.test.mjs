// What strangers write on the topic of stored marks: the gateway obeys none of it, forgets nothing, says so
// in its log and counts it in its health.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { connect, makeFolder, startBroker, until } from '../support/broker.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const { folder, remove } = makeFolder('bad-marks');
const [unit] = reports;
const topic = 'edgerow/home/stored/barn/office';
const store = '5eed5eed5eed5eed';
let broker;
let ear;
let world;
let gateway;
let stranger;

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  stranger = await connect(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 6));
  gateway = await startGateway(folder, broker.port, { units: [unit], world });
  await world.followed(1);
  await world.step(1000);
  for (const fcnt of [300, 301, 302]) await gateway.air.frame(makeFrame(unit, fcnt, unit.payload));
  await until('three rows', () => ear.of('row').length === 3);
});

after(async () => {
  gateway?.air.close();
  await gateway?.stop();
  await world?.close();
  await stranger?.endAsync();
  await ear?.close();
  await broker?.stop();
  remove();
});

async function say(text, where = topic) {
  ear.expect(where, text);
  await stranger.publishAsync(where, text, { qos: 1 });
}

async function health() {
  await world.step(60000);
  const find = () => {
    if (gateway.ended) throw new Error(gateway.output);
    const found = ear.last('edgerow/home/gateway/barn/health');
    return found && Date.parse(found.at) > world.now - 60000 && found;
  };
  return until('health', find);
}

const mark = (change) => {
  const { spool, n, hash } = ear.of('row')[2];
  return JSON.stringify({ version: 1, store, spool, n, hash, ...change });
};

test('marks that cannot be read, or speak of something else, are ignored', async () => {
  const wrong = ['', 'null', '[]', '{', '{}', 'x'.repeat(20000), `${'['.repeat(10000)}`,
    mark({ version: 2 }), mark({ version: '1' }), mark({ n: -1 }), mark({ n: 3.5 }), mark({ n: 2 ** 53 }),
    mark({ n: null }), mark({ hash: 'zz' }), mark({ store: 'STORE' }), mark({ spool: store }),
    mark({}).replace('"n":3', '"n":3,"n":3'), mark({}).slice(0, -1), `${mark({})}x`,
    Buffer.from([0xff, 0xfe, 0, 1]).toString('latin1')];
  for (const text of wrong) await say(text);
  await say(mark({}), 'edgerow/home/stored/barn/nobody');
  await say(mark({}), 'edgerow/home/stored/barn/office/more');
  const { marked_n, oldest_n, last_n, marks_ignored, marks_refused } = await health();
  assert.deepEqual({ marked_n, oldest_n, last_n }, { marked_n: 0, oldest_n: 1, last_n: 3 });
  // The empty message clears a topic, and the longer topic is no mark's: neither is counted.
  assert.equal(marks_ignored, wrong.length - 1 + 1);
  assert.equal(marks_refused, 0);
  assert.match(gateway.output, /A stored mark in edgerow\/home\/stored\/barn\/office was ignored: /);
});

test('a true mark is obeyed', async () => {
  await say(mark({ n: 2, hash: ear.of('row')[1].hash }));
  await until('the mark', async () => (await health()).marked_n === 2);
});

test('a mark that contradicts the spool is refused, and every row goes out again', async () => {
  const [first] = ear.of('row');
  const before = ear.of('row').length;
  await say(mark({ n: 3, hash: '0123456789abcdef0123456789abcdef' }));
  await until('the rows again', () => ear.of('row').length >= before + 3);
  const again = ear.of('row').slice(before);
  assert.deepEqual(again.map((row) => row.frame.fcnt).slice(0, 3), [300, 301, 302]);
  assert.notEqual(again[0].spool, first.spool);
  assert.equal((await health()).marks_refused, 1);
  assert.match(gateway.output, /Collector office says it has stored rows of spool .* The mark is not obeyed/);
});

test('a mark beyond the last row cannot make the gateway forget', async () => {
  await say(JSON.stringify({ version: 1, store, spool: ear.of('row').at(-1).spool, n: 1000000,
    hash: '0123456789abcdef0123456789abcdef' }));
  await gateway.air.frame(makeFrame(unit, 303, unit.payload));
  await until('the next row', () => ear.of('row').some((row) => row.frame.fcnt === 303));
  const { oldest_n, marked_n, marks_refused } = await health();
  assert.deepEqual({ oldest_n, marked_n, marks_refused }, { oldest_n: 1, marked_n: 0, marks_refused: 2 });
});

test('the gateway ends in order, and all it published fits its schema', async () => {
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  assert.deepEqual(ear.invalid, []);
});
