// A real broker on a free port of 127.0.0.1, in a folder of its own, for tests of the whole path.
import { spawn, execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

export const top = join(dirname(fileURLToPath(import.meta.url)), '../../..');
export const libraries = join(top, 'tests/npm/node_modules');
if (!existsSync(libraries)) {
  console.error('The reference libraries are missing: run tests/npm/install.sh');
  process.exit(1);
}
export const require = createRequire(join(libraries, '../package.json'));

export const sleep = (ms) => new Promise((done) => { setTimeout(done, ms); });

// Waits until look() gives something true, and returns it.
export async function until(what, look, seconds = 20) {
  for (const end = Date.now() + seconds * 1000; Date.now() < end; await sleep(50)) {
    const found = await look();
    if (found) return found;
  }
  throw new Error(`waited ${seconds} s for ${what}`);
}

export function makeFolder(name) {
  const folder = mkdtempSync(join(tmpdir(), `edgerow-${name}-`));
  return { folder, remove: () => rmSync(folder, { recursive: true, force: true }) };
}

export function freePort() {
  return new Promise((found, failed) => {
    const server = createServer();
    server.on('error', failed);
    server.listen(0, '127.0.0.1', () => {
      const { port } = server.address();
      server.close(() => found(port));
    });
  });
}

// A test that fails leaves nothing behind.
const children = new Set();
process.on('exit', () => { for (const child of children) child.kill('SIGKILL'); });

// A process whose output is kept; stop() ends it and waits for it. Nothing else is ever killed.
export function start(command, args, options = {}) {
  const child = spawn(command, args, { stdio: ['ignore', 'pipe', 'pipe'], ...options });
  const running = { child, output: '', ended: false, code: null, signal: null };
  children.add(child);
  child.stdout.on('data', (data) => { running.output += data; });
  child.stderr.on('data', (data) => { running.output += data; });
  const closed = new Promise((done) => {
    child.on('error', (error) => { running.output += String(error); });
    child.on('close', (code, signal) => {
      children.delete(child);
      Object.assign(running, { ended: true, code, signal });
      done();
    });
  });
  running.stop = async (signal = 'SIGTERM') => {
    if (!running.ended) child.kill(signal);
    const late = setTimeout(() => {
      running.output += 'did not end when told to, and was killed\n';
      child.kill('SIGKILL');
    }, 15000);
    await closed;
    clearTimeout(late);
    return running.code;
  };
  return running;
}

// The shipped settings on another port, with files of this folder. passwords: { user: password }, with the
// rights of the shipped example; null: everybody may do everything.
function brokerSettings(folder, port, passwords) {
  const own = { listener: `${port} 127.0.0.1`, password_file: join(folder, 'passwords'),
    acl_file: join(folder, 'acl'), allow_anonymous: passwords === null ? 'true' : 'false' };
  const settings = readFileSync(join(top, 'deploy/broker/edgerow.conf'), 'utf8')
    .replace(/^(listener|password_file|acl_file|allow_anonymous) .*$/gm, (_, key) => `${key} ${own[key]}`);
  const log = ['error', 'warning', 'notice', 'information', 'subscribe'].map((t) => `log_type ${t}`);
  const all = `${settings}\nuser root\n${log.join('\n')}\n`;
  return passwords === null ? all.replace(/^(password_file|acl_file) .*$/gm, '') : all;
}

export async function startBroker(folder, passwords = null) {
  const port = await freePort();
  if (passwords !== null) {
    writeFileSync(join(folder, 'passwords'), '', { mode: 0o600 });
    for (const [name, password] of Object.entries(passwords))
      execFileSync('mosquitto_passwd', ['-b', join(folder, 'passwords'), name, password]);
    writeFileSync(join(folder, 'acl'), readFileSync(join(top, 'deploy/broker/edgerow.acl')),
      { mode: 0o600 });
  }
  const file = join(folder, 'broker.conf');
  writeFileSync(file, brokerSettings(folder, port, passwords));
  const broker = start('mosquitto', ['-c', file]);
  await until('the broker', () => broker.ended || /running/.test(broker.output));
  if (broker.ended) throw new Error(`the broker ended: ${broker.output}`);
  return Object.assign(broker, { port });
}

export async function connect(port, options = {}) {
  const mqtt = require('mqtt');
  return mqtt.connectAsync(`mqtt://127.0.0.1:${port}`, { reconnectPeriod: 0, ...options });
}
