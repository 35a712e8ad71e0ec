// A real broker, two shipped gateways and the shipped collector: a confirmed frame is answered exactly once,
// orders reach the station and are confirmed, and no counter down is ever used twice, whatever is killed,
// restored from an old copy or deleted. The oracle (stations.mjs) shares no code with the product; MIC and
// layout of every frame down are checked by lora-packet (npm).
import assert from 'node:assert/strict';
import { execFileSync, spawnSync } from 'node:child_process';
import { copyFileSync, existsSync, rmSync } from 'node:fs';
import { connect as dial, createServer } from 'node:net';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { connect, makeFolder, start, startBroker, until } from '../support/broker.mjs';
import { startCollector } from '../support/collector.mjs';
import { listen } from '../support/feed.mjs';
import { binaries, startGateway } from '../support/gateway.mjs';
import { startWorld } from '../support/world.mjs';
import { dice, Oracle, Station } from './stations.mjs';

const MINUTE = 60000;
const hours = Number(process.env.EDGEROW_ANSWER_HOURS ?? 2);
const seed = Number(process.env.EDGEROW_SEED ?? 1);
const random = dice(seed);
const { folder, remove } = makeFolder('answers');
const stations = Array.from({ length: 6 }, (_, i) => new Station(`T-${i + 1}`, {
  devaddr: `0100000${i + 1}`, nwkskey: `5${i}`.repeat(16), appskey: `a${i}`.repeat(16) }));
const oracle = new Oracle(stations);
const names = ['barn', 'pump'];
const gateways = {};
let broker, world, collector, ear;
let absent = 0; // 1 while there is no collector

const options = (name) => ({ name, world, units: stations, radio: 'country = US\npower_dbm = 20' });
const traps = stations.map((s) => ({ trap: s.trap, devaddr: s.devaddr }));
const store = join(folder, 'store.db');

// The pump's line to the broker, which can be cut while the pump goes on hearing and speaking.
const line = { cut: false, sockets: new Set() };
line.server = createServer((socket) => {
  if (line.cut) {
    socket.destroy();
    return;
  }
  const on = dial(broker.port, '127.0.0.1');
  for (const end of [socket, on]) {
    line.sockets.add(end);
    const both = () => { socket.destroy(); on.destroy(); line.sockets.delete(end); };
    end.on('error', both).on('close', both);
  }
  socket.pipe(on).pipe(socket);
});
line.set = (cut) => {
  line.cut = cut;
  if (cut) for (const socket of line.sockets) socket.destroy();
};

async function bring(name) {
  const port = name === 'pump' ? line.server.address().port : broker.port;
  gateways[name] = await startGateway(folder, port, options(name));
  gateways[name].read = 0;
  await world.followed(Object.keys(gateways).length + 1 - absent);
}

async function kill(name) {
  await drain();
  gateways[name].air.close();
  await gateways[name].stop('SIGKILL');
  delete gateways[name];
  await world.left(Object.keys(gateways).length + 1 - absent);
}

async function bringCollector() {
  collector = await startCollector(folder, broker.port,
    { world, traps, followers: Object.keys(gateways).length + 1 });
}

async function stopCollector(signal) {
  await collector.stop(signal);
  await world.left(Object.keys(gateways).length);
}

// A gateway says that it is there when its connection has begun again.
async function back(name) {
  const watcher = await connect(broker.port);
  let there = false;
  watcher.on('message', (_, text) => { there ||= JSON.parse(text).online; });
  await watcher.subscribeAsync(`edgerow/home/gateway/${name}/presence`, { qos: 1 });
  await until(`${name} to be back`, () => there, 40);
  await watcher.endAsync();
}

// What the gateways have sent since the last look. The answers are on the socket before the step is done.
async function drain() {
  await new Promise((done) => { setTimeout(done, 15); });
  for (const [name, gateway] of Object.entries(gateways)) {
    const lines = gateway.air.answers.slice(gateway.read).split('\n');
    gateway.read = gateway.air.answers.length - lines.pop().length;
    for (const line of lines) oracle.take(name, line);
  }
}

const files = ['', '-wal', '-shm'];
const removeStore = () => files.forEach((f) => rmSync(store + f, { force: true }));

// Strengths by gateway; a frame may miss one of them.
const near = { barn: -80, pump: -95 };
const far = { barn: -100, pump: -82 };
const strengths = stations.map((_, i) => (i % 2 ? far : near));

let count = 0;
// Five minutes: every station reports once, each frame with an end of its own; both gateways hear it at that moment.
async function slice({ confirmed = 0.5, miss = 0 } = {}) {
  const begun = world.now;
  for (const [i, station] of stations.entries()) {
    const frame = station.report(random() < confirmed);
    const at = begun + 1000 + i * 7000 + (count++ % 900);
    await world.step(at - world.now);
    oracle.uplink(station, frame, at);
    for (const [name, gateway] of Object.entries(gateways))
      if (random() >= miss)
        await gateway.air.frame(frame.hex, { at, rssi: strengths[i][name], snr: 5 });
  }
  await world.step(begun + 5 * MINUTE - world.now);
  await drain();
}

async function slices(number, how) {
  for (let i = 0; i < number; i++) await slice(how);
}

const edgerow = (...words) => spawnSync(join(binaries, 'edgerow'), words, { encoding: 'utf8' });
const instant = () => new Date(world.now).toISOString().replace(/\.\d+Z/, 'Z');
const order = (...words) => edgerow('order', '--site', join(folder, 'site.ini'), '--gateway',
  join(folder, 'barn.ini'), '--at', instant(), ...words);
const why = (trap) => JSON.parse(edgerow('why', '--json', '--site', join(folder, 'site.ini'), '--at', instant(),
  trap).stdout);

// The confirmed frames of the last slices, and how many of them were answered.
async function measure(number) {
  const first = [...oracle.sent.keys()].length;
  const before = oracle.acknowledged;
  await slices(number);
  const wanted = [...oracle.sent.values()].slice(first).filter((f) => f.confirmed).length;
  return { wanted, answered: oracle.acknowledged - before };
}

before(async () => {
  broker = await startBroker(folder);
  world = await startWorld(folder, Date.parse('2026-08-01T06:00:00Z'));
  ear = await listen(broker.port);
  await bringCollector();
  await new Promise((done) => { line.server.listen(0, '127.0.0.1', done); });
  for (const name of names) await bring(name);
  await world.step(MINUTE);
});

after(async () => {
  await ear?.close();
  for (const gateway of Object.values(gateways)) await gateway.stop();
  await collector?.stop();
  line.set(true);
  line.server.close();
  await broker?.stop();
  await world?.close();
  remove();
});

test('every confirmed frame is answered exactly once, by the gateway that hears the station best', async () => {
  await world.step(125 * MINUTE); // nobody knows the new store: whatever may have been leased has run out
  await slices(6); // until leases are settled
  const { wanted, answered } = await measure(12);
  console.log(`in quiet: ${wanted} confirmed frames, ${answered} acknowledged, by gateway ${JSON.stringify(oracle.by)}`);
  assert.ok(wanted > 20);
  assert.equal(answered, wanted);
  for (const [window, gateway] of oracle.answered) {
    const i = stations.findIndex((s) => window.startsWith(s.devaddr));
    assert.equal(gateway, i % 2 ? 'pump' : 'barn', window);
  }
  assert.deepEqual(ear.invalid, []);
  assert.ok(ear.of('lease').length > 0 && ear.of('held').length > 0);
});

test('an order reaches the station, and its own report confirms it', async () => {
  const [first, second, third] = stations;
  const given = order(first.trap, 'interval', '30');
  assert.equal(given.status, 0, given.stderr);
  assert.match(given.stdout, /Order 1 to the station of trap T-1/);
  const twice = order(first.trap, 'diagnostics');
  assert.equal(twice.status, 1);
  assert.match(twice.stderr, /Order 1 to the station of T-1, interval 30 min, is not over/);
  assert.equal(order(second.trap, 'power', '21').status, 0);
  assert.equal(order(third.trap, 'marks', '90', '25').status, 0);
  assert.ok(['waiting', 'sent'].includes(why('T-1').order.state));
  await slices(4, { confirmed: 0 });
  assert.deepEqual(first.orders[0], '11011e'); // AIR.md, worked example
  assert.equal(first.interval, 30);
  assert.equal(why('T-1').order.state, 'done');
  assert.equal(why('T-2').order.state, 'refused');
  assert.equal(why('T-3').order.state, 'done');
  const heard = first.orders.length;
  await slices(2, { confirmed: 0 });
  assert.equal(first.orders.length, heard, 'it is not told again');
  assert.match(edgerow('status', '--site', join(folder, 'site.ini'), '--at', instant()).stdout,
    /T-1 +interval 30 min +.* done, as the station says/);
  assert.equal(ear.messages.filter((m) => m.topic.includes('/order/')).at(-1).text, '');
});

test('an unlawful channel or power is refused with a lawful way out', () => {
  const channel = order('T-4', 'channel', '915900000', '125000', '9');
  assert.equal(channel.status, 1);
  assert.match(channel.stderr, /not given\. A fixed channel of 125 kHz is not lawful in United States/);
  const power = order('T-4', 'power', '30');
  assert.equal(power.status, 0, power.stderr);
  assert.equal(order('T-4', 'cancel').status, 0);
  assert.equal(order('T-9', 'diagnostics').status, 1);
  assert.equal(order('T-4', 'interval', '61').status, 2);
  assert.equal(order('T-4', 'marks', '20', '30').status, 2);
});

test('an order that is not answered can be taken back, or expires and says so', async () => {
  const last = stations.at(-1);
  const { hear } = last;
  last.hear = () => {}; // deaf
  assert.equal(order('--days', '1', last.trap, 'interval', '20').status, 0);
  await slices(3, { confirmed: 0 });
  assert.equal(why(last.trap).order.state, 'sent');
  assert.ok(why(last.trap).order.sent >= 2);
  assert.equal(order(last.trap, 'cancel').status, 0);
  await slices(1, { confirmed: 0 });
  assert.equal(why(last.trap).order.state, 'cancelled');
  assert.equal(ear.last(`edgerow/home/order/office/${last.devaddr}`), null);
  assert.equal(order('--days', '1', last.trap, 'interval', '20').status, 0);
  await slices(2, { confirmed: 0 });
  assert.equal(why(last.trap).order.state, 'sent');
  await world.step(24 * 60 * MINUTE);
  await slices(1, { confirmed: 0 });
  assert.equal(why(last.trap).order.state, 'expired');
  assert.match(collector.output, /The order "interval 20 min" to the station of trap T-6: given up/);
  assert.equal(ear.last(`edgerow/home/order/office/${last.devaddr}`), null);
  last.hear = hear;
  await slices(4);
});

test('a lease moves to the gateway that hears the station better, and nobody answers twice', async () => {
  strengths[0] = far; // T-1 now hangs near the pump
  await slices(9);
  const before = oracle.by.pump;
  const { wanted, answered } = await measure(6);
  console.log(`after a move: ${wanted} confirmed, ${answered} acknowledged`);
  assert.ok(oracle.by.pump > before);
  assert.equal(answered, wanted);
  const windows = [...oracle.answered].filter(([w]) => w.startsWith(stations[0].devaddr)).slice(-3);
  assert.deepEqual(windows.map(([, gateway]) => gateway), ['pump', 'pump', 'pump']);
});

test('a gateway that died is replaced when its lease is over, and not before', async () => {
  const before = { ...oracle.by };
  await kill('pump');
  await slices(30); // two hours and a half
  assert.equal(oracle.by.pump, before.pump);
  const { wanted, answered } = await measure(4);
  assert.equal(answered, wanted, 'barn answers them all');
  await bring('pump');
  await slices(3);
});

test('a gateway that is cut off speaks until its lease is over, and nobody else does before', async () => {
  strengths.fill(near);
  await slices(3);
  strengths.fill(far); // all now hang near the pump
  await slices(9);
  line.set(true);
  strengths.fill(near); // and near the barn again, while nobody can tell the pump
  const before = { ...oracle.by };
  await slices(18, { confirmed: 1 });
  assert.ok(oracle.by.pump > before.pump, 'the pump goes on');
  await slices(9); // two hours and a quarter since the cut
  const { wanted, answered } = await measure(4);
  console.log(`cut off: ${wanted} confirmed, ${answered} acknowledged, all by the barn`);
  assert.equal(answered, wanted);
  line.set(false);
  await back('pump');
});

// The broker still has the lease retained that the gateway was using, and the old copy does not know of it.
test('a gateway with a spool from an old copy does not use its block a second time', async () => {
  await kill('barn');
  const spool = join(folder, 'barn-spool.db');
  const old = ['', '-wal', '.duty'].filter((f) => existsSync(spool + f));
  old.forEach((f) => copyFileSync(spool + f, `${spool}${f}.old`));
  await bring('barn');
  await slices(6);
  const before = oracle.by.barn;
  await slices(6, { confirmed: 1 });
  assert.ok(oracle.by.barn > before, 'it was using a block that the copy does not know');
  await kill('barn');
  rmSync(`${spool}-wal`, { force: true });
  old.forEach((f) => copyFileSync(`${spool}${f}.old`, spool + f));
  // Without a collector that notices the restart: the gateway's own check must do.
  await stopCollector('SIGTERM');
  absent = 1;
  await bring('barn');
  await world.step(MINUTE);
  await back('barn');
  await slices(3, { confirmed: 1 });
  absent = 0;
  await bringCollector();
  await slices(4, { confirmed: 1 });
  const { wanted, answered } = await measure(4);
  console.log(`with a restored spool: ${wanted} confirmed, ${answered} acknowledged`);
  assert.equal(answered, wanted);
});

// What can happen to one of them; each leaves everything running again.
const copy = join(folder, 'copy.db');

const happenings = {
  'barn killed': async () => { await kill('barn'); await bring('barn'); },
  'pump killed': async () => { await kill('pump'); await bring('pump'); },
  'collector killed': async () => { await stopCollector('SIGKILL'); await bringCollector(); },
  'store copied': async () => {
    rmSync(copy, { force: true });
    execFileSync('sqlite3', [store, `VACUUM INTO '${copy}'`]);
  },
  'store restored': async () => {
    if (!existsSync(copy)) return;
    await stopCollector('SIGKILL');
    removeStore();
    copyFileSync(copy, store);
    await bringCollector();
  },
  'store deleted': async () => {
    await stopCollector('SIGKILL');
    removeStore();
    await bringCollector();
  },
  'spool of the barn deleted': async () => {
    await kill('barn');
    files.forEach((f) => rmSync(join(folder, `barn-spool.db${f}`), { force: true }));
    await bring('barn');
  },
  'spool of the pump restored': async () => {
    const spool = join(folder, 'pump-spool.db');
    await kill('pump');
    if (existsSync(`${spool}.old`)) {
      rmSync(`${spool}-wal`, { force: true });
      copyFileSync(`${spool}.old`, spool);
      if (existsSync(`${spool}-wal.old`)) copyFileSync(`${spool}-wal.old`, `${spool}-wal`);
    } else {
      for (const f of ['', '-wal'])
        if (existsSync(spool + f)) copyFileSync(spool + f, `${spool}${f}.old`);
    }
    await bring('pump');
  },
  'pump cut off, or back': async () => { line.set(!line.cut); },
  'broker emptied and store deleted': async () => {
    await broker.stop('SIGKILL');
    await stopCollector('SIGKILL');
    removeStore();
    const { port } = broker;
    broker = Object.assign(start('mosquitto', ['-c', join(folder, 'broker.conf')]), { port });
    await until('the broker', () => /running/.test(broker.output));
    await bringCollector();
    for (const name of names) if (name !== 'pump' || !line.cut) await back(name);
  },
};

// A store that is lost, and a holder that cannot speak: nobody else may be given its stations until its time is over.
test('a lost store does not give away what a gateway that is cut off still holds', async () => {
  strengths.fill(far); // all hang near the pump
  await slices(9);
  await slices(2, { confirmed: 1 });
  line.set(true);
  await stopCollector('SIGKILL');
  removeStore();
  await bringCollector();
  const before = { ...oracle.by };
  strengths.fill(near);
  await slices(12, { confirmed: 1 });
  console.log(`a lost store: ${oracle.by.pump - before.pump} answered by the pump, which is cut off, in an hour`);
  assert.ok(oracle.by.pump > before.pump);
  line.set(false);
  await back('pump');
  await slices(30);
  const { wanted, answered } = await measure(4);
  assert.equal(answered, wanted);
});

test('whatever is killed, restored or deleted, no counter is used twice and no frame answered twice', async () => {
  const tally = {};
  const kinds = Object.keys(happenings);
  for (let i = 0; i < hours * 12; i++) {
    if (random() < 0.25 || i < kinds.length) {
      const what = i < kinds.length ? kinds[i] : kinds[Math.floor(random() * (kinds.length - 1))];
      tally[what] = (tally[what] ?? 0) + 1;
      await happenings[what]();
      await world.step(MINUTE);
    }
    if (random() < 0.1) strengths[Math.floor(random() * strengths.length)] = random() < 0.5 ? near : far;
    await slice({ miss: 0.1 });
  }
  console.log(`seed ${seed}: ${hours} h, ${JSON.stringify(tally)}; ${oracle.counters.size} frames down, all with ` +
    `counters of their own; ${oracle.acknowledged} acknowledgements, ${oracle.orders} orders; ` +
    `by gateway ${JSON.stringify(oracle.by)}`);
  line.set(false);
  strengths.fill(near);
  await slices(34);
  const { wanted, answered } = await measure(6);
  console.log(`in quiet again: ${wanted} confirmed, ${answered} acknowledged`);
  assert.equal(answered, wanted);
  for (const station of stations) assert.ok(station.last >= 0);
});
