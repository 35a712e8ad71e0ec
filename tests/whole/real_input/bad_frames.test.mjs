// What is no frame, spoken into the running gateway: told apart, counted, said in the log, and harmless.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { makeFolder, startBroker, until } from '../support/broker.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const { folder, remove } = makeFolder('bad-frames');
const [unit] = reports;
let broker;
let ear;
let world;
let gateway;

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 6));
  gateway = await startGateway(folder, broker.port, { units: [unit], world });
  await world.followed(1);
  await world.step(1000);
});

after(async () => {
  gateway?.air.close();
  await gateway?.stop();
  await world?.close();
  await ear?.close();
  await broker?.stop();
  remove();
});

const fcnts = () => ear.of('row').map((row) => row.frame.fcnt);

// A good frame after whatever was said before: the gateway still hears, and has heard all of it.
async function hears(fcnt) {
  await gateway.air.raw('\n');
  await gateway.air.frame(makeFrame(unit, fcnt, unit.payload));
  await until(`frame ${fcnt}`, () => {
    if (gateway.ended) throw new Error(gateway.output);
    return fcnts().includes(fcnt);
  });
}

async function health() {
  await world.step(60000);
  return until('health', () => {
    const found = ear.last('edgerow/home/gateway/barn/health');
    return found && Date.parse(found.at) > world.now - 60000 && found;
  });
}

test('truncated, oversized, changed and foreign packets', async () => {
  const good = makeFrame(unit, 300, unit.payload);
  const sent = { repeated: 0, forged: 0, unknown: 0, unusable: 0 };
  const say = async (kind, hex) => {
    sent[kind]++;
    await gateway.air.frame(hex);
  };
  await hears(300);
  await say('repeated', good);
  for (let cut = 2; cut < 24; cut += 2) await say('unusable', good.slice(0, cut));
  for (let cut = 24; cut < good.length; cut += 2) await say('forged', good.slice(0, cut));
  for (let i = 0; i < 200; i++) { // one bit of a whole frame changed, header and address left alone
    const bits = Buffer.from(good, 'hex');
    bits[6 + (i % (bits.length - 6))] ^= 1 << (i % 8);
    await say('forged', bits.toString('hex'));
  }
  await say('forged', good + '00'.repeat(255 - good.length / 2));
  await say('unknown', makeFrame({ ...unit, devaddr: '01000000' }, 1, '00'));
  await say('unusable', `00${good.slice(2)}`); // a join request
  await say('unusable', `e0${good.slice(2)}`); // proprietary
  await say('unusable', `60${good.slice(2)}`); // down
  await hears(301);
  assert.deepEqual(fcnts(), [300, 301]);
  const { repeated, forged, unknown, unusable, accepted } = await health();
  assert.deepEqual({ repeated, forged, unknown, unusable }, sent);
  assert.equal(accepted, 2);
});

test('a frame heard again later, and a counter that starts again', async () => {
  await world.step(3600000);
  await gateway.air.frame(makeFrame(unit, 301, unit.payload)); // the same bytes, an hour later
  await gateway.air.frame(makeFrame(unit, 5, unit.payload)); // good under the keys, counter long past
  await hears(302);
  const { replayed, restarted } = await health();
  assert.equal(replayed + restarted, 2);
  assert.deepEqual(fcnts(), [300, 301, 302]);
});

test('lines that are no frames are answered and forgotten', async () => {
  const { line } = gateway.air;
  const noise = (length) => Buffer.from(Array.from({ length }, (_, i) => (i * 7919 + 31) % 256));
  const wrong = ['\n', 'frame\n', 'frame zz frequency 1\n', 'hello\n', line('0'.repeat(513)),
    line('00'.repeat(256)), line(''), `${'x'.repeat(5000)}\n`, line('4000').replace('sf 7', 'sf 99'),
    line('4000').replace('rssi', 'loud'), line('4000').replace('-104.25', '-1e9'), noise(3000),
    Buffer.from([0, 0, 0, 10]), '\r\n\n\n', 'frame 40'];
  for (const text of wrong) await gateway.air.raw(text);
  await hears(303);
  for (const answer of [/error the line is too long/, /error sf must be 5 to 12/])
    assert.match(gateway.air.answers, answer);
  assert.ok((await health()).radios[0].header_errors >= 10);
});

test('each kind was said in the log, once', () => {
  for (const said of [/fits none of its keys/, /Unit 01000000 is not in the key file/,
    /no uplink data frame/])
    assert.equal(gateway.output.split('\n').filter((line) => said.test(line)).length, 1, said);
  assert.ok(gateway.output.split('\n').length < 40, 'the log is not flooded');
  assert.ok(!gateway.output.includes(unit.nwkskey) && !gateway.output.includes(unit.appskey));
});

test('all that was published fits its schema, and the gateway ends in order', async () => {
  gateway.air.close();
  assert.equal(await gateway.stop(), 0, gateway.output);
  assert.deepEqual(ear.invalid, []);
});
