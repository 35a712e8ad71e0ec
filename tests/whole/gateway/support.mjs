// A gateway in a folder of its own, stations made with lora-packet (npm), and a collector's ear.
import { writeFileSync } from 'node:fs';
import { connect as dial, createServer } from 'node:net';
import { join } from 'node:path';
import { connect, require, start, until } from '../support/broker.mjs';

const lora = require('lora-packet');

// The key pair is a published worked example (lora-packet's own tests, npm 0.9.3).
export const nwk = '44024241ed4ce9a68c6a8bc055233fd3';
export const app = 'ec925802ae430ca77fd3dd73cb2cc588';
export const header = 'devaddr,nwk_skey,app_skey\n';

export const line = (devaddr) => `${devaddr},${nwk},${app}\n`;

export function frame(devaddr, fcnt, payload, { confirmed = false, port = 10, key = nwk } = {}) {
  const high = Buffer.from([(fcnt >> 16) & 255, fcnt >> 24]); // little-endian
  return lora.fromFields({
    MType: confirmed ? 'Confirmed Data Up' : 'Unconfirmed Data Up',
    DevAddr: Buffer.from(devaddr, 'hex'), FCnt: fcnt & 0xffff, FPort: port,
    payload: Buffer.from(payload, 'hex'),
  }, Buffer.from(app, 'hex'), Buffer.from(key, 'hex'), null, high).getPHYPayload().toString('hex');
}

const channel = 'frequency 868100000 bandwidth 125000 sf 7';
export const onAir = (hex, more = 'rssi -101.5 snr -7.25') => `frame ${hex} ${channel} ${more}\n`;

export class Gateway {
  constructor(folder, name, port, settings = {}) {
    Object.assign(this, { folder, name, port, file: join(folder, `${name}.ini`) });
    this.air = join(folder, `${name}.air`);
    this.spool = settings.spool ?? join(folder, `${name}.db`);
    this.keys = join(folder, `${name}.csv`);
    writeFileSync(this.keys, settings.keys ?? header + line('01be7df1') + line('02000001'),
      { mode: 0o600 });
    writeFileSync(this.file, `
[gateway]
name = ${name}
site = hill
[broker]
host = 127.0.0.1
port = ${port}
[spool]
path = ${this.spool}
size_mib = ${settings.size ?? 4}
commit_seconds = ${settings.commit ?? 0}
window = ${settings.window ?? 500}
[keys]
file = ${this.keys}
[collectors]
names = ${settings.collectors ?? 'main'}
[radio.0]
driver = simulated
socket = ${this.air}
frequency_hz = 868100000
${settings.clock ? `[rehearsal]\nclock = ${settings.clock}\n` : ''}`);
  }

  async run(options = {}) {
    this.running = start(process.env.EDGEROW_GATEWAY, ['--config', this.file], options);
    await until(`gateway ${this.name}`, () => this.running.ended || /hears with/.test(this.running.output));
    if (this.running.ended) throw new Error(`the gateway ended: ${this.running.output}`);
  }

  // For a start that is expected to fail: resolves to the exit status.
  async refuse(...more) {
    this.running = start(process.env.EDGEROW_GATEWAY, ['--config', this.file, ...more]);
    await until('the refusal', () => this.running.ended);
    return this.running.code;
  }

  stop(signal) { return this.running.stop(signal); }

  // Writes lines to the air and resolves to what was answered within the time given.
  speak(lines, wait = 100) {
    return new Promise((done, failed) => {
      let answer = '';
      const socket = dial(this.air, () => {
        socket.write(lines);
        setTimeout(() => socket.end(), wait);
      });
      socket.on('data', (data) => { answer += data; });
      socket.on('error', failed);
      socket.on('close', () => done(answer));
    });
  }
}

// Keeps every row, the latest health and presence; marks what it has when told to.
export class Collector {
  static async join(port, gateway, name = 'main') {
    const c = new Collector();
    Object.assign(c, { rows: [], health: null, presence: null, gateway, name, raw: [] });
    c.client = await connect(port, { clientId: `collector-${name}-${gateway}-${Math.random()}` });
    c.client.on('message', (topic, payload) => c.take(topic, payload.toString()));
    await c.client.subscribeAsync(`edgerow/hill/gateway/${gateway}/+`, { qos: 1 });
    return c;
  }

  take(topic, text) {
    const what = topic.split('/').pop();
    this.raw.push([what, text]);
    const message = JSON.parse(text);
    if (what === 'row') this.rows.push(message);
    else this[what] = message;
  }

  mark(fields) {
    const last = this.rows.at(-1);
    const mark = {
      version: 1, store: '00000000000000aa', spool: last.spool, n: last.n, hash: last.hash, ...fields,
    };
    return this.client.publishAsync(`edgerow/hill/stored/${this.gateway}/${this.name}`,
      JSON.stringify(mark), { qos: 1, retain: true });
  }

  has(count) { return until(`${count} rows`, () => this.rows.length >= count); }

  leave() { return this.client.endAsync(); }
}

// The clock of a rehearsal.
export class World {
  static async open(folder) {
    const world = new World();
    Object.assign(world, { said: '', path: join(folder, `clock-${Math.random()}`) });
    world.server = createServer((socket) => {
      world.socket = socket;
      socket.on('data', (data) => { world.said += data; });
    });
    await new Promise((done) => { world.server.listen(world.path, done); });
    return world;
  }

  async step(seconds) {
    const at = seconds * 1000000;
    await until('hello', () => /hello edgerow-gateway/.test(this.said));
    this.socket.write(`now ${at}\n`);
    await until('done', () => this.said.includes(`done ${at}\n`));
  }

  close() {
    this.socket?.destroy();
    this.server.close();
  }
}
