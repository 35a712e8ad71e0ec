// The shipped gateway with a real broker and its simulated radio. Frames are made by lora-packet (npm), so
// by code that knows nothing of ours; messages are checked against the schemas with ajv (npm).
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { chmodSync, mkdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, describe, test } from 'node:test';
import { freePort, makeFolder, require, sleep, start, startBroker, top, until }
  from '../support/broker.mjs';
import { Collector, Gateway, World, app, frame, header, line, nwk, onAir } from './support.mjs';

const unit = '01be7df1';
const { folder, remove } = makeFolder('gateway');
const report = '11'.padEnd(42, '0');
let broker;
let names = 0;
const running = [];

async function begin(settings = {}, options = {}) {
  const gateway = new Gateway(folder, `g${++names}`, settings.port ?? broker.port, settings);
  await gateway.run(options);
  running.push(gateway.running);
  return gateway;
}

const frames = (from, count, more) => Array.from({ length: count },
  (_, i) => onAir(frame(unit, from + i, report), more)).join('');

const { default: Ajv } = require('ajv/dist/2020.js');
function validator(name) {
  const schema = JSON.parse(readFileSync(join(top, `protocol/feed/schema/${name}.json`), 'utf8'));
  const ajv = new Ajv({ strict: false, formats: { 'date-time': true } });
  return ajv.compile(schema);
}

describe('the gateway', () => {
  before(async () => { broker = await startBroker(folder); });
  after(async () => {
    for (const gateway of running) await gateway.stop('SIGKILL');
    await broker?.stop();
    remove();
  });

  test('frames come out as rows, exactly', async () => {
    const world = await World.open(folder);
    const gateway = await begin({ clock: world.path });
    const collector = await Collector.join(broker.port, gateway.name);
    await world.step(1790000000);
    const answers = await gateway.speak(
      onAir(frame(unit, 65537, '112233'), 'rssi -101.5 snr -7.25 at 1790000000.123456')
      + 'frame zz\n'
      + onAir(frame(unit, 65538, '445566', { confirmed: true, port: 99 }),
        'rssi -20 snr 9 at 1790000001'));
    assert.match(answers, /^error frame is followed by/);
    await collector.has(2);
    const { spool, hash, ...row } = collector.rows[0];
    assert.match(spool, /^[0-9a-f]{16}$/);
    assert.match(hash, /^[0-9a-f]{32}$/);
    const { key_check, boot, since_boot_ms, ...seen } = row.frame;
    assert.deepEqual(seen, {
      devaddr: unit, fcnt: 65537, confirmed: false, fport: 10, payload: '112233',
      heard_at: '2026-09-21T14:13:20.123Z', synchronised: true, radio: 0, frequency_hz: 868100000,
      bandwidth_hz: 125000, spreading_factor: 7, rssi_dbm: -101.5, snr_db: -7.25, report: null,
    });
    assert.deepEqual([row.n, row.oldest, row.kind], [1, 1, 'frame']);
    const second = collector.rows[1].frame;
    assert.deepEqual([second.confirmed, second.fport, second.payload, second.key_check],
      [true, 99, '445566', key_check]);
    assert.match(boot, /^[0-9a-f]{16}$/);
    assert.ok(since_boot_ms >= 0);
    await world.step(1790000060);
    await until('health', () => collector.health?.accepted === 2);
    assert.equal(collector.health.radios[0].header_errors, 1);
    for (const [what, text] of collector.raw) {
      const validate = validator({ row: 'row', health: 'gateway-health', presence: 'presence' }[what]);
      assert.ok(validate(JSON.parse(text)), `${what}: ${JSON.stringify(validate.errors)} ${text}`);
    }
    await gateway.stop();
    await collector.leave();
    world.close();
  });

  test('every verdict is told apart and none is fatal', async () => {
    const world = await World.open(folder);
    const gateway = await begin({ clock: world.path });
    const collector = await Collector.join(broker.port, gateway.name);
    await world.step(1790000030);
    const good = onAir(frame(unit, 100, report));
    const old = onAir(frame(unit, 99, report), 'rssi -90 snr 5 at 1790000000');
    await gateway.speak(old + good + good // accepted twice, repeated
      + onAir(frame(unit, 99, report), 'rssi -90 snr 5 at 1790000090') // replayed
      + onAir(frame(unit, 3, report)) // restarted
      + onAir(frame(unit, 101, report, { key: app })) // forged
      + onAir(frame('02000009', 1, report)) // unknown
      + onAir('40f17dbe01')); // unusable
    await collector.has(2);
    await world.step(1790000120);
    await until('health', () => collector.health?.unusable === 1);
    const { accepted, repeated, replayed, restarted, forged, unknown, unusable } = collector.health;
    assert.deepEqual({ accepted, repeated, replayed, restarted, forged, unknown, unusable },
      { accepted: 2, repeated: 1, replayed: 1, restarted: 1, forged: 1, unknown: 1, unusable: 1 });
    assert.equal(collector.rows.length, 2);
    await gateway.stop();
    await collector.leave();
    world.close();
  });

  test('a kill loses no row that was published, and no frame counter', async () => {
    const gateway = await begin();
    const collector = await Collector.join(broker.port, gateway.name);
    for (let round = 0; round < 5; round++) {
      await gateway.speak(frames(1 + round * 20, 20));
      await until('rows', () => collector.rows.some((r) => r.frame.fcnt === 20 + round * 20));
      await gateway.stop('SIGKILL');
      await gateway.run();
      running.push(gateway.running);
    }
    // A recorded frame, and one the station repeats: neither is stored again.
    await gateway.speak(frames(100, 1) + frames(50, 1) + frames(101, 1));
    await until('the next row', () => collector.rows.some((r) => r.frame.fcnt === 101));
    const byNumber = new Map();
    for (const row of collector.rows) {
      const seen = byNumber.get(row.n) ?? row;
      assert.deepEqual([seen.hash, seen.frame.fcnt], [row.hash, row.frame.fcnt]);
      byNumber.set(row.n, row);
    }
    assert.equal(byNumber.size, 101);
    for (let n = 1; n <= 101; n++) assert.equal(byNumber.get(n).frame.fcnt, n);
    await gateway.stop();
    await collector.leave();
  });

  test('the will says that a killed gateway is gone, and a stopped one says so itself', async () => {
    const gateway = await begin({ commit: 300 });
    const collector = await Collector.join(broker.port, gateway.name);
    await until('birth', () => collector.presence?.online === true);
    await gateway.stop('SIGKILL');
    await until('the will', () => collector.presence?.online === false);
    await gateway.run();
    await until('birth', () => collector.presence?.online === true);
    await gateway.speak(frames(1, 3)); // waits up to five minutes for its commit
    assert.equal(await gateway.stop('SIGTERM'), 0);
    await until('goodbye', () => collector.presence?.online === false);
    await gateway.run();
    running.push(gateway.running);
    await collector.has(3); // written at the orderly end
    await gateway.stop();
    await collector.leave();
  });

  test('hears with the broker down from the start, and publishes when it comes', async () => {
    const port = await freePort();
    const gateway = await begin({ port });
    await gateway.speak(frames(1, 200));
    await sleep(300);
    const conf = join(folder, 'late.conf');
    writeFileSync(conf, `listener ${port} 127.0.0.1\nallow_anonymous true\n`);
    const late = start('mosquitto', ['-c', conf]);
    await until('the late broker', () => /running/.test(late.output));
    const collector = await Collector.join(port, gateway.name);
    await until('all rows', () => collector.rows.some((r) => r.n === 200), 45);
    await gateway.stop();
    await collector.leave();
    await late.stop();
  });

  test('marks: the window, going back, and what is not believed', async () => {
    const world = await World.open(folder);
    const gateway = await begin({ window: 10, clock: world.path });
    await world.step(1790000000);
    const collector = await Collector.join(broker.port, gateway.name);
    await gateway.speak(frames(1, 50));
    await collector.has(10);
    await sleep(300);
    assert.equal(collector.rows.at(-1).n, 10); // no more than the window
    for (let round = 0; round < 4; round++) {
      await collector.mark();
      await until('the next window', () => collector.rows.at(-1).n === 20 + round * 10);
    }
    await collector.mark({ spool: '0123456789abcdef' }); // another spool: ignored
    await collector.client.publishAsync(`edgerow/hill/stored/${gateway.name}/stranger`,
      JSON.stringify({ version: 1, store: '00000000000000aa', spool: collector.rows[0].spool, n: 50,
        hash: collector.rows.at(-1).hash }), { qos: 1 });
    await collector.client.publishAsync(`edgerow/hill/stored/${gateway.name}/main`, '{"n":', { qos: 1 });
    // The store is restored from an older copy, and says so: what follows is published again.
    collector.rows.splice(30);
    await collector.mark({ n: 30, hash: collector.rows[29].hash });
    await until('rows again', () => collector.rows.at(-1).n === 40);
    const { spool } = collector.rows[0];
    await collector.mark({ n: 35, hash: 'f'.repeat(32) }); // contradicts: not obeyed, a new id instead
    await until('the new id', () => collector.rows.at(-1).spool !== spool
      && collector.rows.at(-1).n === 10);
    await world.step(1790000060);
    await until('health', () => collector.health?.marks_refused === 1);
    assert.equal(collector.health.marks_ignored, 3);
    assert.match(gateway.running.output, /does not agree\. The mark is not obeyed/);
    await gateway.stop();
    await collector.leave();
    world.close();
  });

  test('keys are refused unless they are safe, and never shown', async () => {
    const gateway = new Gateway(folder, 'keys', broker.port, {});
    chmodSync(gateway.keys, 0o644);
    assert.equal(await gateway.refuse(), 1);
    assert.match(gateway.running.output, /keys\.csv|keys.*600/);
    chmodSync(gateway.keys, 0o600);
    writeFileSync(gateway.keys, header + line(unit) + line('02000001').replace(nwk, `${nwk}0`));
    assert.equal(await gateway.refuse('--check'), 1);
    assert.match(gateway.running.output, /keys\.csv:3: nwk_skey has 33 characters/);
    assert.ok(!gateway.running.output.includes(nwk.slice(0, 8)));
    assert.ok(!gateway.running.output.includes(app.slice(0, 8)));
  });

  test('keys are read again on request, and kept when the new ones are faulty', async () => {
    const gateway = await begin({ keys: header + line(unit) });
    const collector = await Collector.join(broker.port, gateway.name);
    const stranger = (fcnt) => onAir(frame('02000001', fcnt, report));
    await gateway.speak(stranger(1) + frames(5, 1));
    await collector.has(1);
    writeFileSync(gateway.keys, header + line(unit) + line('02000001'));
    gateway.running.child.kill('SIGHUP');
    await until('the reload', () => /keys of 2 units are in force/.test(gateway.running.output));
    await gateway.speak(stranger(2) + frames(5, 1)); // the old unit's counter is still known
    await collector.has(2);
    writeFileSync(gateway.keys, 'nonsense\n');
    gateway.running.child.kill('SIGHUP');
    await until('the refusal', () => /The keys in force stay/.test(gateway.running.output));
    await gateway.speak(stranger(3));
    await collector.has(3);
    assert.deepEqual(collector.rows.map((r) => [r.frame.devaddr, r.frame.fcnt]),
      [[unit, 5], ['02000001', 2], ['02000001', 3]]);
    await gateway.stop();
    await collector.leave();
  });

  test('what another gateway holds is refused by name', async () => {
    const gateway = await begin();
    const second = new Gateway(folder, 'second', broker.port, { spool: gateway.spool });
    assert.equal(await second.refuse(), 1);
    assert.match(second.running.output, /another process has this spool open/);
    const third = new Gateway(folder, 'third', broker.port, {});
    writeFileSync(third.file, readFileSync(third.file, 'utf8').replace(third.air, gateway.air));
    assert.equal(await third.refuse(), 1);
    assert.match(third.running.output, /\[radio\.0\].*another process listens there/);
    await gateway.speak(frames(1, 1)); // and the first one goes on
    await gateway.stop();
  });

  function mountSmall(name, megabytes) {
    const small = join(folder, name);
    mkdirSync(small);
    try {
      execFileSync('mount', ['-t', 'tmpfs', '-o', `size=${megabytes}m`, 'none', small]);
    } catch { return null; }
    return small;
  }

  test('a full disk: refused at first, harmless later', async (t) => {
    const small = mountSmall('small', 16);
    if (small === null) return t.skip('needs the right to mount');
    try {
      const settings = { spool: join(small, 'spool.db'), size: 4 };
      const filler = join(small, 'filler');
      const fill = () => {
        try { execFileSync('dd', ['if=/dev/zero', `of=${filler}`, 'bs=64k'], { stdio: 'ignore' }); } catch { /* full */ }
        assert.ok(statSync(filler).size > 0);
      };
      fill();
      const gateway = new Gateway(folder, 'full', broker.port, settings);
      assert.equal(await gateway.refuse(), 1);
      assert.match(gateway.running.output, /no room for a spool of 4 MiB: free space, or lower/);
      rmSync(filler);
      rmSync(settings.spool, { force: true });
      await gateway.run();
      running.push(gateway.running);
      fill();
      const collector = await Collector.join(broker.port, 'full');
      for (let from = 1; from <= 3000; from += 500) {
        await gateway.speak(frames(from, 500));
        await until('rows', () => collector.rows.at(-1)?.n >= from + 499);
        await collector.mark();
      }
      await gateway.stop('SIGKILL');
      await gateway.run();
      running.push(gateway.running);
      await gateway.speak(frames(3001, 10));
      await until('rows', () => collector.rows.at(-1)?.n === 3010);
      assert.doesNotMatch(gateway.running.output, /error/);
      await gateway.stop();
      await collector.leave();
    } finally {
      execFileSync('umount', ['-l', small]);
    }
  });

  test('a rehearsal: what was heard before a step is at the broker after it', async () => {
    const world = await World.open(folder);
    const gateway = await begin({ clock: world.path, commit: 300 });
    const collector = await Collector.join(broker.port, gateway.name);
    await world.step(1790000000);
    let fcnt = 1;
    for (let hour = 1; hour <= 5; hour++) {
      const at = 1790000000 + hour * 3600;
      const said200 = Array.from({ length: 200 }, () =>
        onAir(frame(unit, fcnt++, report), `rssi -90 snr 5 at ${at - 10}`)).join('');
      const spoken = gateway.speak(said200, 0);
      await sleep(150); // the frames are in the socket before the step
      await world.step(at);
      await spoken;
      await until('rows', () => collector.rows.at(-1)?.frame.fcnt === hour * 200, 5);
      await collector.mark();
    }
    assert.equal(collector.rows.at(-1).frame.heard_at, '2026-09-21T19:13:10.000Z');
    const health = collector.raw.filter(([what]) => what === 'health').length;
    assert.ok(health >= 300, `${health} health messages in five hours`);
    await gateway.stop();
    await collector.leave();
    world.close();
  });

  test('the service manager is told: ready, alive, stopping', async () => {
    const path = join(folder, 'notify.sock');
    const ear = start('socat', ['-u', `UNIX-RECV:${path}`, '-']);
    await until('the socket', () => { try { return statSync(path); } catch { return false; } });
    const gateway = await begin({}, {
      env: { ...process.env, NOTIFY_SOCKET: path, WATCHDOG_USEC: '400000' },
    });
    await until('two signs of life', () => (ear.output.match(/WATCHDOG=1/g) ?? []).length >= 2);
    assert.match(ear.output, /^READY=1/);
    await gateway.stop();
    await until('stopping', () => /STOPPING=1/.test(ear.output));
    await ear.stop();
  });
});
