// An answer of the shipped gateway on the air: a confirmed frame through the model of a chip of each family, on its
// disk, acknowledged in RX1 by the same chip at the right moment, frequency and spreading factor, with inverted IQ and
// without CRC, and decoded by lora-packet (npm), which shares no code with the product. The test plays the collector.
//
// RX1 of the US902-928 plan: an uplink of 500 kHz at SF8 on 903.0 + 1.6 n MHz is answered with 500 kHz at SF7 on
// 923.3 + 0.6 n MHz. Of the EU863-870 plan: on the channel and, with offset 0, at the data rate of the uplink (both: the
// receive windows of the LoRaWAN Regional Parameters, from memory). Downlinks have no CRC and inverted IQ (LoRaWAN
// link layer, Y.4480; from memory).
import assert from 'node:assert/strict';
import { createConnection } from 'node:net';
import { join } from 'node:path';
import { writeFileSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { connect, makeFolder, require, start, startBroker, until } from '../support/broker.mjs';
import { makeFrame, reports } from '../support/examples.mjs';
import { listen } from '../support/feed.mjs';
import { binaries } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';

const lora = require('lora-packet');
const bytes = (hex) => Buffer.from(hex, 'hex');
const MINUTE = 60000;
// The driver gives up what would begin more than 1 ms after the moment it knows; this machine may tell it of the
// frame's end late.
const EARLY_US = 1000, LATE_US = 10000, TRIES = 8;

const radios = [
  { name: 'SX1276', chip: 'sx1276:/dev/spidev0.0:17:4', lines: `driver = sx127x
chip = sx1276
spi = /dev/spidev0.0
reset_line = GPIO17
interrupt_line = GPIO4
country = US
frequency_hz = 904600000
bandwidth_hz = 500000
spreading_factor = 8
power_dbm = 17`, down: { frequency: 923900000, bandwidth: 500000, sf: 7, power: 17 } },
  { name: 'SX1262', chip: 'sx1262:/dev/spidev0.1:22:25:24', lines: `driver = sx126x
chip = sx1262
spi = /dev/spidev0.1
reset_line = GPIO22
interrupt_line = GPIO25
busy_line = GPIO24
country = DE
frequency_hz = 868300000
bandwidth_hz = 125000
spreading_factor = 9
power_dbm = 13`, down: { frequency: 868300000, bandwidth: 125000, sf: 9, power: 13 } },
];
const example = reports.find((e) => e.report === 'regular');
const unit = { devaddr: example.devaddr, nwkskey: example.nwkskey, appskey: example.appskey };
const { folder, remove } = makeFolder('radio-answers');
let broker, ear, world, gateway, control, office;
let said = '', fcnt = 200, next = 640;

before(async () => {
  broker = await startBroker(folder);
  ear = await listen(broker.port);
  office = await connect(broker.port);
  world = await startWorld(folder, Date.UTC(2026, 7, 1, 14));
  writeFileSync(join(folder, 'keys.csv'),
    `devaddr,nwk_skey,app_skey\n${unit.devaddr},${unit.nwkskey},${unit.appskey}\n`, { mode: 0o600 });
  writeFileSync(join(folder, 'gateway.ini'), `[gateway]
name = shed
site = home
[broker]
host = 127.0.0.1
port = ${broker.port}
[spool]
path = ${join(folder, 'spool.db')}
size_mib = 4
[keys]
file = ${join(folder, 'keys.csv')}
[collectors]
names = office
[rehearsal]
clock = ${world.path}
${radios.map((r, i) => `[radio.${i}]\n${r.lines}\n`).join('')}`);
  const path = join(folder, 'control');
  gateway = start(join(binaries, '../tests/radio_supervisor'), ['--real-time', '--control', path,
    ...radios.flatMap((r) => ['--chip', r.chip]), '--', join(binaries, 'edgerow-gateway'), '--config',
    join(folder, 'gateway.ini')]);
  await until('the gateway', () => gateway.ended || /hears with/.test(gateway.output));
  assert.ok(!gateway.ended, gateway.output);
  control = createConnection(path);
  control.on('error', () => {}).on('data', (data) => { said += data; });
  await world.followed(1);
  await world.step(1000);
  // An hour later the account of what was sent is complete; until then the European share counts as used up.
  await air(0, false);
  await until('a row', () => ear.of('row').some((r) => r.kind === 'frame'), 30);
  await world.step(62 * MINUTE);
  await lease();
});

after(async () => {
  control?.destroy();
  await gateway?.stop();
  await office?.endAsync();
  await world?.close();
  await ear?.close();
  await broker?.stop();
  remove();
});

const stamp = (ms) => new Date(ms).toISOString();

// What a collector would say: this start of the gateway speaks, with 64 counters.
async function lease() {
  const { frame } = ear.of('row').find((r) => r.kind === 'frame');
  const { run } = ear.last('edgerow/home/gateway/shed/health');
  await office.publishAsync(`edgerow/home/lease/office/${unit.devaddr}`, JSON.stringify({ version: 1,
    devaddr: unit.devaddr, key_check: frame.key_check, term: 9, gateway: 'shed', run, first: 640, count: 64,
    until: stamp(world.now + 120 * MINUTE) }), { qos: 1, retain: true });
  await until('the gateway to obey', () =>
    ear.last(`edgerow/home/held/shed/${unit.devaddr}`)?.speaking);
  await world.step(1000); // only what ends after that is answered
}

// One frame through a chip; gives when it ended, by the model.
async function air(chip, confirmed) {
  const from = said.length;
  control.write(`air ${chip} 20000 ${makeFrame(unit, ++fcnt, example.payload, { confirmed })}\n`);
  const words = new RegExp(`^ends ${chip} (\\d+)$`, 'm');
  await until('the frame to be on the air', () => words.test(said.slice(from)));
  return Number(words.exec(said.slice(from))[1]);
}

const sent = (from) => /^sent (\d) (\d+) (\d+) (\d+) (\d+) (-?\d+) (\S+) ([0-9a-f]+)$/m.exec(said.slice(from));

// Frames until one is answered: a machine that does not run the radio's thread in time sends nothing.
async function answered(chip, confirmed) {
  for (let i = 0; i < TRIES; i++) {
    const from = said.length;
    const end = await air(chip, confirmed);
    await until('an answer', () => sent(from), 7).catch(() => {});
    const m = sent(from);
    await world.step(10000);
    if (m) return { end, at: Number(m[2]), chip: Number(m[1]), frequency: Number(m[3]), bandwidth: Number(m[4]),
      sf: Number(m[5]), power: Number(m[6]), flags: m[7], packet: lora.fromWire(bytes(m[8])) };
    next++; // what was given up has used its counter
  }
  throw new Error(`no answer to ${TRIES} frames: ${gateway.output}`);
}

function check(answer, i) {
  const { down } = radios[i];
  assert.equal(answer.chip, i);
  assert.equal(answer.bandwidth, down.bandwidth);
  assert.equal(answer.sf, down.sf);
  assert.equal(answer.power, down.power);
  assert.ok(Math.abs(answer.frequency - down.frequency) < 100, `${answer.frequency} Hz`); // a step of the synthesizer
  assert.equal(answer.flags, 'inverted'); // and no CRC
  const late = answer.at - answer.end - 5000000;
  console.log(`${radios[i].name}: RX1 began ${late} us after its time, ${answer.frequency} Hz, SF${answer.sf}`);
  assert.ok(late >= -EARLY_US && late <= LATE_US, `${late} us`);
  const { packet } = answer;
  assert.equal(packet.getMType(), 'Unconfirmed Data Down');
  assert.equal(packet.DevAddr.toString('hex'), unit.devaddr);
  assert.ok(lora.verifyMIC(packet, bytes(unit.nwkskey), bytes(unit.appskey)));
  const counter = packet.FCnt.readUInt16BE();
  assert.ok(counter >= 640 && counter <= next, `counter ${counter}`);
  next = counter + 1;
}

for (const [i, radio] of radios.entries())
  test(`an ${radio.name} acknowledges a confirmed frame in RX1`, async () => {
    const answer = await answered(i, true);
    check(answer, i);
    assert.ok(answer.packet.getFCtrlACK());
    assert.equal(answer.packet.getFPort(), null);
  });

test('an order leaves in the same window, encrypted', async () => {
  await office.publishAsync(`edgerow/home/order/office/${unit.devaddr}`, JSON.stringify({ version: 1,
    devaddr: unit.devaddr, number: 1, until: stamp(world.now + 120 * MINUTE), order: 'interval', sequence: 1,
    interval_min: 30, full_mark_mm: null, low_mark_mm: null, frequency_hz: null, bandwidth_hz: null,
    spreading_factor: null, power_dbm: null }), { qos: 1, retain: true });
  for (const [i] of radios.entries()) {
    const answer = await answered(i, false);
    check(answer, i);
    assert.ok(!answer.packet.getFCtrlACK());
    assert.equal(answer.packet.getFPort(), 11);
    assert.equal(lora.decrypt(answer.packet, bytes(unit.appskey), bytes(unit.nwkskey)).toString('hex'),
      '11011e'); // AIR.md, worked example
  }
});
