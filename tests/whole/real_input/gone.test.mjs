// What stations.csv no longer has is cleared from the broker: at once when the file is read again, and at
// the next start otherwise. Nobody's display shows a trap that hangs no more.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { makeFolder, startBroker, until } from '../support/broker.mjs';
import { startCollector, writeStations } from '../support/collector.mjs';
import { listen } from '../support/feed.mjs';
import { startWorld } from '../support/world.mjs';
import { goldens } from '../../reference/feed/parts.mjs';

const { folder, remove } = makeFolder('gone');
const trap = (number) => ({ trap: `N-${number}`, devaddr: `0000000${number}` });
const topic = (name) => `edgerow/home/trap/${name}`;
let broker;
let ear;
let world;
let collector;

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 16));
});

after(async () => {
  await collector?.stop();
  await world?.close();
  await ear?.close();
  await broker?.stop();
  remove();
});

const last = (where) => ear.messages.filter((m) => m.topic === where).at(-1)?.text;
const there = (name) => until(`${name} to be there`, () => last(topic(name))?.includes(`"${name}"`));
const cleared = (where) => until(`${where} to be cleared`, () => last(where) === '');

test('the states of all traps are there', async () => {
  collector = await startCollector(folder, broker.port, { traps: [1, 2, 3].map(trap), world });
  for (const name of ['N-1', 'N-2', 'N-3']) await there(name);
  assert.equal(ear.last('edgerow/home/block/north').traps, 3);
});

test('a trap that the file no longer has is cleared when the file is read again', async () => {
  writeStations(folder, [1, 2].map(trap));
  collector.child.kill('SIGHUP');
  await cleared(topic('N-3'));
});

test('a trap and a block of former files are cleared at the next start', async () => {
  assert.equal(await collector.stop(), 0, collector.output);
  const block = goldens.find((golden) => golden.name === 'block').text;
  await ear.client.publishAsync('edgerow/home/block/west', block, { qos: 1, retain: true });
  const notice = goldens.find((golden) => golden.name === 'notice-visit').text;
  await ear.client.publishAsync('edgerow/home/notice/n-000123', notice, { qos: 1, retain: true });
  collector = await startCollector(folder, broker.port, { traps: [trap(1)], world });
  await cleared('edgerow/home/notice/n-000123'); // of a store that is lost
  await cleared(topic('N-2'));
  await cleared('edgerow/home/block/west');
  assert.ok(last(topic('N-1')).includes('"N-1"'), 'a trap that is there stays');
});
