// docs/INTEGRATORS.md: its messages are the golden ones, and its commands and programs do what it says on
// a real broker with the shipped settings, as a user who may only read.
import assert from 'node:assert/strict';
import { execFile } from 'node:child_process';
import { mkdirSync, readFileSync, readdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { connect, libraries, makeFolder, start, startBroker, top, until }
  from '../support/broker.mjs';

const guide = readFileSync(join(top, 'docs/INTEGRATORS.md'), 'utf8');
const golden = (name) => readFileSync(join(top, `tests/unit/feed/golden/${name}.json`), 'utf8').trimEnd();
const fences = [...guide.matchAll(/^```(\w+) (\S+)\n(.*?)^```$/gms)]
  .map(([, language, name, text]) => ({ language, name, text }));
const fence = (language, name) => {
  const found = fences.find((f) => f.language === language && f.name === name);
  assert.ok(found, `the guide has no ${language} ${name}`);
  return found.text;
};

const { folder, remove } = makeFolder('guide');
const home = join(folder, 'home');
let broker;
let daemon; // publishes as gateways and collectors do

const retained = {
  'trap/N-012': 'trap-due', 'trap/S-001': 'trap-new', 'block/north': 'block',
  'block/south': 'block-new', 'notice/n-000123': 'notice-visit',
  'gateway/barn/presence': 'presence-online', 'gateway/barn/health': 'gateway-health',
  'collector/office/presence': 'presence-online', 'collector/office/health': 'collector-health',
  'stored/barn/office': 'mark', 'lease/office/00a1b2c3': 'lease', 'held/barn/00a1b2c3': 'held',
  'order/office/00a1b2c3': 'order-interval',
};

before(async () => {
  mkdirSync(home);
  broker = await startBroker(folder, { collector: 'invented', display: 'the-password' });
  daemon = await connect(broker.port, { username: 'collector', password: 'invented' });
  for (const [topic, name] of Object.entries(retained))
    await daemon.publishAsync(`edgerow/home/${topic}`, golden(name), { qos: 1, retain: true });
  // The guide's own set-up, with this broker in the place of the invented one and no TLS.
  const setup = fence('sh', 'setup').replace('-h broker.example', '-h 127.0.0.1')
    .replace('-p 8883', `-p ${broker.port}`).replace(/^--cafile.*\n/m, '');
  await shell(setup);
});

after(async () => {
  await daemon?.endAsync();
  await broker?.stop();
  remove();
});

const environment = () => ({ PATH: process.env.PATH, HOME: home, SITE: 'home' });

// Runs commands as shown, but waits for messages a shorter time.
function shell(text, seconds = 15) {
  return new Promise((done) => {
    execFile('sh', ['-c', text.replace('-W 5', '-W 3')], { env: environment(), timeout: seconds * 1000, cwd: folder },
      (error, stdout, stderr) => done({ code: error?.code ?? 0, stdout, stderr }));
  });
}

test('every message shown is a golden one, and each kind is shown', () => {
  const shown = fences.filter((f) => f.language === 'json');
  for (const { name, text } of shown)
    assert.deepEqual(JSON.parse(text), JSON.parse(golden(name)), name);
  const shownNames = new Set(shown.map((f) => f.name));
  for (const name of ['trap-due', 'block', 'notice-visit', 'row-regular', 'row-daily', 'row-clock',
    'row-loss', 'presence-online', 'gateway-health', 'collector-health'])
    assert.ok(shownNames.has(name), name);
});

test('the table of topics is the one of protocol/feed/topic.h', () => {
  const header = readFileSync(join(top, 'protocol/feed/topic.h'), 'utf8');
  const inHeader = [...header.matchAll(/^ \* {3}edgerow\/<site>\/(\S+)/gm)]
    .map((m) => m[1].replace(/<(\w+)>/g, (_, word) => word.toUpperCase()));
  const rows = [...guide.matchAll(/^\| `((?:\w+\/)+\w+)` \| (yes|no)[^|]*\| ([\w-]+) \|/gm)];
  assert.deepEqual(rows.map((m) => m[1]).sort(), inHeader.sort());
  const schemas = readdirSync(join(top, 'protocol/feed/schema')).map((f) => f.replace('.json', ''));
  for (const [, topic, keeps, schema] of rows) {
    assert.ok(schemas.includes(schema), `${topic}: ${schema}`);
    assert.equal(keeps === 'no', topic.endsWith('/row'));
  }
});

test('the states of the blocks arrive', async () => {
  const { stdout, stderr } = await shell(fence('sh', 'blocks'));
  assert.equal(stderr.replace(/Timed out\n?/, ''), '');
  const lines = stdout.trim().split('\n').sort();
  assert.deepEqual(lines, [`edgerow/home/block/north ${golden('block')}`,
    `edgerow/home/block/south ${golden('block-new')}`]);
});

test('what is due is listed with its reason', async () => {
  const { stdout } = await shell(fence('sh', 'due'));
  assert.equal(stdout, 'N-012\tlow_level\t2026-08-03T06:15:02.123Z\n');
});

test('notices are shown as people receive them', async () => {
  const { stdout } = await shell(fence('sh', 'notices'));
  assert.equal(stdout, `${JSON.parse(golden('notice-visit')).text}\n`);
});

test('everything is everything', async () => {
  const { stdout } = await shell(fence('sh', 'everything').replace('-v', '-v -W 2'));
  const topics = stdout.trim().split('\n').map((line) => line.split(' ')[0]).sort();
  assert.deepEqual(topics, Object.keys(retained).map((topic) => `edgerow/home/${topic}`).sort());
});

test('a reader cannot write a mark', async () => {
  const farm = await connect(broker.port, { username: 'display', password: 'the-password' });
  await farm.publishAsync('edgerow/home/stored/barn/office', '{}', { qos: 1, retain: true })
    .catch(() => {});
  await farm.endAsync();
  const { stdout } = await shell('mosquitto_sub -C 1 -W 5 -t "edgerow/home/stored/+/+"');
  assert.equal(stdout.trim(), golden('mark'));
});

test('a wrong password says what the guide says', async () => {
  const { stderr } = await shell('mosquitto_sub -C 1 -W 5 -P wrong -t "edgerow/home/#"');
  const shown = guide.match(/^\| `(Connection error: [^`]+)` \|/m)[1];
  assert.ok(stderr.includes(shown), stderr);
});

// Runs a program of the guide until its output satisfies `enough`.
async function program(name, feed, enough) {
  const file = join(folder, `${name}.mjs`);
  writeFileSync(file, fence('js', name));
  try {
    symlinkSync(libraries, join(folder, 'node_modules'));
  } catch (error) {
    if (error.code !== 'EEXIST') throw error;
  }
  const run = start(process.execPath, [file], { cwd: folder, env: { ...environment(),
    EDGEROW_URL: `mqtt://127.0.0.1:${broker.port}`, EDGEROW_USER: 'display',
    EDGEROW_PASSWORD: 'the-password' } });
  try {
    await feed(run);
    await until(`${name}.mjs`, () => enough(run.output) || run.ended);
  } finally {
    await run.stop();
  }
  return run.output;
}

test('the program for due traps', async () => {
  const publish = (topic, text) => daemon.publishAsync(`edgerow/home/trap/${topic}`, text, { qos: 1 });
  const output = await program('due', async (run) => {
    await until('the first trap', () => run.output.includes('N-012') || run.ended);
    await publish('N-012', '');
    await publish('N-013', golden('trap-due').replace('"version":1', '"version":2'));
    const failed = { ...JSON.parse(golden('trap-new')), trap: 'S-001', condition: 'failed' };
    await publish('S-001', JSON.stringify(failed));
  }, (text) => text.includes('S-001'));
  assert.equal(output, 'N-012 in north: low_level, visit by 2026-08-03T06:15:02.123Z\n' +
    'edgerow/home/trap/N-013: version 2 is newer than this program\n' +
    'S-001 in south: unknown reason, visit by now\n');
});

test('the program for rows counts each insect once', async () => {
  const row = JSON.parse(golden('row-regular'));
  const heard = async (gateway, fcnt, entries) => {
    row.frame.fcnt = fcnt;
    row.frame.report.entries = entries;
    await daemon.publishAsync(`edgerow/home/gateway/${gateway}/row`, JSON.stringify(row), { qos: 1 });
  };
  const output = await program('rows', async () => {
    // Rows are not retained: the program must have subscribed.
    await until('the subscription', () => /farm-archive 1 \S+\/row/.test(broker.output));
    await heard('barn', 100, 4294967290);
    await heard('hill', 100, 4294967290);
    await heard('barn', 102, 4); // past 2^32
    await heard('hill', 101, 4294967295); // late
    await heard('hill', 102, 4);
    await heard('barn', 103, 9);
    await daemon.publishAsync('edgerow/home/gateway/barn/row', golden('row-loss'), { qos: 1 });
  }, (text) => text.split('\n').length > 6);
  const counted = output.trim().split('\n').map((line) => Number(line.match(/(\d+) more/)[1]));
  assert.deepEqual(counted, [0, 0, 10, 0, 0, 5]);
});
