// The shipped gateway with one simulated radio, and what speaks into that radio.
import { writeFileSync } from 'node:fs';
import { connect as connectSocket } from 'node:net';
import { join } from 'node:path';
import { start, top, until } from './broker.mjs';

export const binaries = join(process.env.EDGEROW_BUILD ?? join(top, 'build'), 'bin');
export const channel = { frequency_hz: 915900000, bandwidth_hz: 500000, spreading_factor: 7 };

// The lines of [broker] by which a daemon logs in; login: { user, password }.
export function loginLines(folder, login) {
  if (!login) return '';
  const file = join(folder, `${login.user}.password`);
  writeFileSync(file, login.password, { mode: 0o600 });
  return `user = ${login.user}\npassword_file = ${file}`;
}

// units: [{ devaddr, nwkskey, appskey }]
export async function startGateway(folder, port, { name = 'barn', site = 'home', units, world, login,
  radio = '', spool = 'size_mib = 4\ncommit_seconds = 0' }) {
  const file = join(folder, `${name}.ini`);
  const keys = join(folder, `${name}-keys.csv`);
  const socket = join(folder, `${name}.air`);
  const lines = units.map((u) => `${u.devaddr},${u.nwkskey},${u.appskey}`);
  writeFileSync(keys, `devaddr,nwk_skey,app_skey\n${lines.join('\n')}\n`, { mode: 0o600 });
  writeFileSync(file, `[gateway]
name = ${name}
site = ${site}
[broker]
host = 127.0.0.1
port = ${port}
${loginLines(folder, login)}
[spool]
path = ${join(folder, `${name}-spool.db`)}
${spool}
[keys]
file = ${keys}
[collectors]
names = office
[radio.0]
driver = simulated
socket = ${socket}
frequency_hz = ${channel.frequency_hz}
bandwidth_hz = ${channel.bandwidth_hz}
spreading_factor = ${channel.spreading_factor}
${radio}
${world ? `[rehearsal]\nclock = ${world.path}\n` : ''}`);
  const gateway = start(join(binaries, 'edgerow-gateway'), ['--config', file]);
  await until('the gateway', () => gateway.ended || /hears with/.test(gateway.output));
  if (gateway.ended) throw new Error(`the gateway ended: ${gateway.output}`);
  const air = await openAir(socket);
  return Object.assign(gateway, { air, socket });
}

// Lines into the simulated radio, by the path of its socket or a port that leads there; answers are kept.
export async function openAir(where) {
  const socket = connectSocket(where);
  await new Promise((done, failed) => { socket.once('connect', done).once('error', failed); });
  const air = { answers: '', gone: false, close: () => socket.destroy() };
  socket.on('data', (data) => { air.answers += data; });
  socket.on('error', () => {}).on('close', () => { air.gone = true; });
  air.raw = (text) => new Promise((done) => { socket.write(text, done); });
  air.line = (hex, { rssi = -104.25, snr = -3.5, at, ...other } = {}) => {
    const c = { ...channel, ...other };
    const when = at === undefined ? '' : ` at ${(at / 1000).toFixed(3)}`;
    return `frame ${hex} frequency ${c.frequency_hz} bandwidth ${c.bandwidth_hz} ` +
      `sf ${c.spreading_factor} rssi ${rssi} snr ${snr}${when}\n`;
  };
  air.frame = (hex, options) => air.raw(air.line(hex, options));
  return air;
}
