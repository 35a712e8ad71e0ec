// The shipped collector for a small invented site, and its store.
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { start, until } from './broker.mjs';
import { binaries, loginLines } from './gateway.mjs';

export function writeStations(folder, traps) {
  writeFileSync(join(folder, 'stations.csv'),
    `trap,block,unit\n${traps.map((t) => `${t.trap},north,${t.devaddr}\n`).join('')}`);
}

// One block round 46.25 N 119.7 W; traps: [{ trap, devaddr }].
function writeSite(folder, port, { site, name, traps, world, login }) {
  const ring = [[-119.7, 46.25], [-119.6974, 46.25], [-119.6974, 46.2509], [-119.7, 46.2509],
    [-119.7, 46.25]];
  writeFileSync(join(folder, 'blocks.geojson'), JSON.stringify({ type: 'FeatureCollection',
    features: [{ type: 'Feature', properties: { block: 'north', title: 'North slope' },
      geometry: { type: 'Polygon', coordinates: [ring] } }] }));
  writeStations(folder, traps);
  const file = join(folder, 'site.ini');
  writeFileSync(file, `[site]
name = ${site}
time_zone = America/Los_Angeles
collector = ${name}
latitude = 46.25
longitude = -119.7
[store]
path = ${join(folder, 'store.db')}
entered = ${join(folder, 'entered.db')}
[broker]
host = 127.0.0.1
port = ${port}
${loginLines(folder, login)}
${world ? `[rehearsal]\nclock = ${world.path}\n` : ''}`);
  return file;
}

export async function startCollector(folder, port, options) {
  const settings = { site: 'home', name: 'office', ...options };
  const file = writeSite(folder, port, settings);
  const collector = start(join(binaries, 'edgerow-collector'), ['--config', file]);
  if (settings.world) { // it opens its store when it has been told the time
    await settings.world.followed(settings.followers ?? 1);
    await settings.world.step(1000);
  }
  await until('the collector', () => collector.ended || /Connected to the broker/.test(collector.output))
    .catch(async (error) => {
      await collector.stop();
      throw new Error(`${error.message}: ${collector.output}`);
    });
  if (collector.ended) throw new Error(`the collector ended: ${collector.output}`);
  collector.rows = (sql) => {
    const text = execFileSync('sqlite3', ['-readonly', '-json', '-cmd', '.timeout 5000',
      join(folder, 'store.db'), sql], { encoding: 'utf8' });
    return text.trim() === '' ? [] : JSON.parse(text);
  };
  return collector;
}

// Of each series: what its hours, pruned days and unplaced passes add up to, and the last counter heard.
export const sums = `SELECT printf('%08x', devaddr) AS devaddr, epoch, pruned + unplaced +
  (SELECT coalesce(sum(h.entries), 0) FROM hour h WHERE h.series = s.series) AS total, s.entries AS last
  FROM series s ORDER BY devaddr, epoch`;
