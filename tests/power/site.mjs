// An invented site with one gateway and one collector in one machine: its settings, and its stations on the air.
// Usage: site.mjs FOLDER writes the settings.
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Station } from '../whole/answers/stations.mjs';
import { channel } from '../whole/support/gateway.mjs';

export const passwords = { 'gateway-north': 'one', collector: 'two', display: 'three' };
export const mailServer = '10.0.2.101';
const COUNT = 12;

export function makeStations() {
  return Array.from({ length: COUNT }, (_, i) => new Station(`T-${i + 1}`, {
    devaddr: (0x01000001 + i).toString(16).padStart(8, '0'),
    nwkskey: (0x50 + i).toString(16).repeat(16), appskey: (0xa0 + i).toString(16).repeat(16) }));
}

const gateway = `[gateway]
name = north
site = home
[broker]
host = 127.0.0.1
user = gateway-north
password_file = /etc/edgerow/gateway.password
[spool]
size_mib = 4
commit_seconds = 0
[keys]
[collectors]
names = main
[rehearsal]
clock = /run/clock
[radio.0]
driver = simulated
socket = /var/lib/edgerow/gateway/air
frequency_hz = ${channel.frequency_hz}
bandwidth_hz = ${channel.bandwidth_hz}
spreading_factor = ${channel.spreading_factor}
country = US
power_dbm = 20
`;

const site = `[site]
name = home
time_zone = America/Los_Angeles
latitude = 46.25
longitude = -119.7
[broker]
host = 127.0.0.1
user = collector
password_file = /etc/edgerow/collector.password
[rehearsal]
clock = /run/clock
[notices]
quiet_from = 00:00
quiet_to = 00:00
[mail.0]
name = manager
to = manager@vineyard.example
from = edgerow@vineyard.example
server = ${mailServer}
port = 25
security = none
`;

const ring = [[-119.7, 46.25], [-119.6974, 46.25], [-119.6974, 46.2509], [-119.7, 46.2509], [-119.7, 46.25]];

export function writeSettings(folder) {
  const stations = makeStations();
  const files = { 'gateway.ini': gateway, 'site.ini': site,
    'gateway.password': `${passwords['gateway-north']}\n`, 'collector.password': `${passwords.collector}\n`,
    'stations.csv': `trap,block,unit\n${stations.map((s) => `${s.trap},north,${s.devaddr}\n`).join('')}`,
    'keys.csv': `devaddr,nwk_skey,app_skey\n${stations.map((s) =>
      `${s.devaddr},${s.nwkskey},${s.appskey}\n`).join('')}`,
    'blocks.geojson': JSON.stringify({ type: 'FeatureCollection', features: [{ type: 'Feature',
      properties: { block: 'north' }, geometry: { type: 'Polygon', coordinates: [ring] } }] }),
    users: Object.entries(passwords).map(([name, word]) => `${name}:${word}\n`).join('') };
  mkdirSync(folder, { recursive: true });
  for (const [name, text] of Object.entries(files)) writeFileSync(join(folder, name), text);
}

if (process.argv[1] === import.meta.filename) writeSettings(process.argv[2]);
