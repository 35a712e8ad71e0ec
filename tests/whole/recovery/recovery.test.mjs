// The shipped daemons and a real broker: a gateway hears its stations for three days without a way to the broker. When
// the way is back, all it heard is stored within minutes, what it hears meanwhile is not lost, the frames of another
// gateway are stored as fast as ever, and no process grows with the backlog.
// EDGEROW_STATIONS: how many stations the cut-off gateway hears every 15 minutes (12).
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { connect as dial, createServer } from 'node:net';
import { after, test } from 'node:test';
import { makeFolder, sleep, startBroker } from '../support/broker.mjs';
import { startCollector, sums } from '../support/collector.mjs';
import { listen } from '../support/feed.mjs';
import { startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';
import { Station } from '../answers/stations.mjs';

const SLICE_MS = 15 * 60000;
const SLICES = 3 * 24 * 4;
const count = Number(process.env.EDGEROW_STATIONS ?? 12);
const { folder, remove } = makeFolder('recovery');
const stations = Array.from({ length: count + 1 }, (_, i) => {
  const digits = i.toString(16).padStart(4, '0');
  return new Station(`T-${i}`, { devaddr: `0100${digits}`, nwkskey: `5${i % 10}0${digits}0`.repeat(4),
    appskey: `a${i % 10}0${digits}0`.repeat(4) });
});
const [near, ...far] = stations; // the first is heard by the gateway that is never cut off
const running = [];

after(async () => {
  for (const end of running.reverse()) await end();
  remove();
});

// The way of one gateway to the broker.
async function layLine(port) {
  const line = { cut: false, sockets: new Set() };
  const server = createServer((socket) => {
    if (line.cut) { socket.destroy(); return; }
    const on = dial(port, '127.0.0.1');
    const both = () => { socket.destroy(); on.destroy(); };
    for (const end of [socket, on]) { line.sockets.add(end); end.on('error', both).on('close', both); }
    socket.pipe(on).pipe(socket);
  });
  await new Promise((ready) => { server.listen(0, '127.0.0.1', ready); });
  line.port = server.address().port;
  line.set = (cut) => { line.cut = cut; if (cut) for (const socket of line.sockets) socket.destroy(); };
  running.push(async () => { line.set(true); server.close(); });
  return line;
}

const peakMiB = (process) => Number(/^VmHWM:\s+(\d+) kB/m
  .exec(readFileSync(`/proc/${process.child.pid}/status`, 'utf8'))[1]) / 1024;

test('three days without a way to the broker are made up for in minutes', { timeout: 3000000 }, async () => {
  const broker = await startBroker(folder);
  running.push(() => broker.stop());
  const world = await startWorld(folder, Date.UTC(2026, 7, 1));
  running.push(() => world.close());
  const line = await layLine(broker.port);
  const spool = 'size_mib = 64\ncommit_seconds = 30';
  const barn = await startGateway(folder, broker.port, { name: 'barn', units: stations, world, spool });
  running.push(() => barn.stop());
  const pump = await startGateway(folder, line.port, { name: 'pump', units: stations, world, spool });
  running.push(() => pump.stop());
  const collector = await startCollector(folder, broker.port, { world, followers: 3,
    traps: stations.map((s) => ({ trap: s.trap, devaddr: s.devaddr })) });
  running.push(() => collector.stop());
  const ear = await listen(broker.port);
  running.push(() => ear.close());
  let heard = 0;
  const hear = async (gateway, station) => {
    heard += gateway === pump ? 1 : 0;
    await gateway.air.frame(station.report(false).hex, { at: world.now, rssi: -80, snr: 5 });
  };
  await world.step(1000);
  const calm = { gateway: peakMiB(pump), collector: peakMiB(collector) };

  line.set(true);
  for (let slice = 0; slice < SLICES; slice++) {
    for (const station of far) await hear(pump, station);
    await hear(barn, near);
    await world.step(SLICE_MS);
  }
  const backlog = heard;
  const stored = () => collector.rows("SELECT count(*) AS n FROM heard WHERE gateway = 'pump'")[0].n;
  assert.equal(stored(), 0, 'the cut was none');

  const markOfBarn = () => ear.last('edgerow/home/stored/barn/office')?.n ?? 0;
  const begin = Date.now();
  const waits = [];
  line.set(false);
  for (let live = 0; ; live++) {
    const before = markOfBarn();
    const sent = Date.now();
    await hear(barn, near);
    if (live < 60) await hear(pump, far[live % far.length]); // and then it falls silent, so that there is an end
    await world.step(31000); // what is due to be committed is
    while (markOfBarn() === before && Date.now() - sent < 60000) await sleep(5);
    waits.push(Date.now() - sent);
    if (stored() === heard) break;
    assert.ok(Date.now() - begin < 1500000, `${stored()} of ${heard} rows after 25 minutes`);
  }
  const minutes = (Date.now() - begin) / 60000;
  waits.sort((a, b) => a - b);
  const peak = { gateway: peakMiB(pump), collector: peakMiB(collector) };
  console.log(`${count} stations, three days: backlog of ${backlog} rows and ${heard - backlog} live ones stored in ` +
    `${minutes.toFixed(2)} minutes (${Math.round(heard / minutes / 60)} rows a second)`);
  console.log(`live frames of the other gateway meanwhile: ${waits.length}, stored after ` +
    `${waits[Math.floor(waits.length / 2)]} ms (median), ${waits.at(-1)} ms (longest)`);
  console.log(`memory at most: gateway ${peak.gateway.toFixed(1)} MiB (${calm.gateway.toFixed(1)} before the cut), ` +
    `collector ${peak.collector.toFixed(1)} MiB (${calm.collector.toFixed(1)})`);
  for (const row of collector.rows(sums)) assert.equal(row.total, row.last, JSON.stringify(row));
  assert.deepEqual(ear.invalid, []);
  assert.ok(minutes < 20, `${minutes} minutes`);
  assert.ok(waits.at(-1) < 30000, `a live frame waited ${waits.at(-1)} ms`);
  assert.ok(peak.gateway < 48 && peak.collector < 96, JSON.stringify(peak));
});
