// Pulls the plug of an emulated machine that runs a whole site, and looks whether anything that was promised is gone.
// Usage: cuts.mjs FOLDER boots CUTS SEED    boots from what each cut left, again and again
//        cuts.mjs FOLDER points POINTS SEED cuts recorded runs at many points: one as shipped, three badly set up
// FOLDER holds disk.img and vmlinuz of image.sh.
import { existsSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { makeFolder, sleep } from '../whole/support/broker.mjs';
import { dice } from '../whole/answers/stations.mjs';
import { checkDisk } from './check.mjs';
import { Disk, Image, keep, Pages } from './disk.mjs';
import { unseen } from './doubts.mjs';
import { powerOn } from './machine.mjs';
import { Play } from './play.mjs';

const [images, what, count, seed = '1'] = process.argv.slice(2);
const kernel = join(images, 'vmlinuz');
const { folder, remove } = makeFolder('power');
const random = dice(Number(seed));
const begun = Date.now();
const seconds = () => Math.round((Date.now() - begun) / 1000);

function openImage() {
  const path = join(images, 'disk.img');
  return new Image(path, statSync(path).size);
}

const consoleText = () => {
  const path = join(folder, 'console.log');
  return existsSync(path) ? readFileSync(path, 'utf8').slice(-4000) : '';
};

class Failure extends Error {}
function demand(wrong, where) {
  if (wrong.length > 0) throw new Failure(`${where}: ${wrong.length} wrong:\n${wrong.slice(0, 20).join('\n')}`);
}

// How long a machine works: mostly some seconds, one time in twelve long enough that stations are answered again.
const someTime = () => (random() < 1 / 12 ? 30000 : random() * 6000);

// Power on; off again after a time that the dice say: one time in five somewhere on the way up.
async function lifetime(play, disk, { early = random() < 0.2, work = someTime(), append } = {}) {
  const machine = await powerOn(folder, kernel, disk, { doors: play.doors, append });
  let trouble = null;
  const run = play.run(machine).catch((error) => { trouble ??= machine.on ? error : null; });
  if (early) await sleep(500 + random() * 14500);
  else await Play.while(machine, 'a working site', () => machine.working || trouble, 1000);
  const upAfter = (Date.now() - machine.begun) / 1000;
  if (!early) await sleep(work);
  const wasOn = machine.on;
  await machine.off();
  await run;
  if (trouble || !wasOn) throw new Failure(`${trouble?.stack ?? machine.trouble ?? 'it went off by itself'}\n${consoleText()}`);
  return { early, upAfter };
}

async function boots(cuts) {
  const disk = new Disk(openImage());
  const play = new Play(folder, random);
  await play.open(() => disk.events);
  const tally = { none: 0, first: 0, any: 0, early: 0, lost: 0, checked: 0 };
  for (let i = 1; i <= cuts; i++) {
    const { early, upAfter } = await lifetime(play, disk);
    const left = disk.cut(random);
    tally[left.kind]++;
    tally.early += early;
    tally.lost += left.pending - left.kept;
    const promised = play.ledger.promised();
    const found = checkDisk(disk.durable, promised, join(folder, 'check'));
    tally.checked += promised.rows.length + promised.acknowledged.length + promised.mail.length;
    console.log(`cut ${i}: ${early ? 'on the way up' : `up after ${upAfter.toFixed(1)} s`}, ${left.kept} of ` +
      `${left.pending} unflushed writes kept (${left.kind}); promised ${promised.rows.length} rows, ` +
      `${promised.acknowledged.length} answers, ${promised.mail.length} messages of ${play.ledger.sent} frames sent; ` +
      `stored ${found.reports}, spooled ${found.spooled}; ${found.wrong.length} broken`);
    demand([...found.wrong, ...play.ledger.broken], `cut ${i} of seed ${seed}`);
    await play.pass(Math.floor(random() * 6));
  }
  await last(play, disk);
  const { rows, acknowledged, mail, notices } = play.ledger.promised();
  console.log(`seed ${seed}: ${cuts} cuts (${tally.early} on the way up; of unflushed writes none kept ${tally.none}, ` +
    `the first ${tally.first}, any ${tally.any}; ${tally.lost} writes lost), ${cuts + 1} boots, ${seconds()} s; ` +
    `${play.ledger.sent} frames sent, ${rows.length} rows published, ${acknowledged.length} acknowledged on the air, ` +
    `${notices.length} notices, ${mail.length} messages; ${tally.checked} promises looked up after cuts, ` +
    'none broken there or at the end: a pass lost or counted twice, or an owed message missing, would have ended the run');
  await play.close();
}

// The last boot is left alone until nothing is on its way any more.
async function last(play, disk) {
  const machine = await powerOn(folder, kernel, disk, { doors: play.doors });
  const run = play.run(machine).catch((error) => { machine.failed = error; });
  await Play.while(machine, 'a working site', () => machine.working || machine.failed, 1000);
  const quiet = play.slices + 110; // a day and a bit, with a morning letter
  await Play.while(machine, 'the last day', () => machine.failed || play.slices >= quiet, 1800);
  play.quiet = true;
  // A slow machine is given its time; one that stands still is a failure.
  if (!machine.failed && !await play.wait(machine, 900))
    machine.failed = new Error('900 s after the last day, its last frame is not stored');
  const said = () => play.ledger.rows.size + play.ledger.marks.size + play.ledger.mail.size;
  for (let calm = 0, seen = -1; calm < 10 && machine.on; await sleep(1000)) { // until nothing more comes
    calm = said() === seen ? calm + 1 : 0;
    seen = said();
  }
  await machine.off();
  await run;
  if (machine.failed) throw new Failure(`${machine.failed.stack}\n${consoleText()}`);
  disk.cut(() => 0);
  const promised = play.ledger.promised();
  const found = checkDisk(disk.durable, promised, join(folder, 'check'), { end: true });
  demand([...found.wrong, ...play.ledger.broken], `the end of seed ${seed}`);
  demand(unseen(promised, found.disk), 'promises broken on paper');
}

// One run on a disk that keeps its log; then the disk as a cut at many points could have left it.
async function points(number, { flushes = true, append = '' } = {}) {
  const disk = new Disk(openImage(), { log: [] });
  const play = new Play(folder, random);
  await play.open(() => disk.events);
  await lifetime(play, disk, { early: false, work: 15000, append });
  const { at: first } = [...play.ledger.rows.values()][0];
  const chosen = Array.from({ length: number }, () => first + Math.floor(random() * (disk.log.length - first)));
  chosen.sort((a, b) => a - b);
  const durable = new Pages(disk.image);
  let pending = [], at = 0, bad = 0, looked = 0;
  const examples = [];
  for (const point of chosen) {
    for (; at < point; at++) {
      const event = disk.log[at];
      if (event) pending.push(event);
      else if (flushes) {
        for (const { offset, data } of pending) durable.write(offset, data);
        pending = [];
      }
    }
    const pages = new Pages(disk.image);
    for (const [n, page] of durable.map) pages.map.set(n, Buffer.from(page));
    keep(pages, flushes ? pending : pending.map((w) => ({ ...w, certain: false })), random);
    const promised = play.ledger.promised(point);
    const { wrong } = checkDisk(pages, promised, join(folder, 'check'));
    looked += promised.rows.length + promised.acknowledged.length;
    bad += wrong.length > 0;
    if (wrong.length > 0 && examples.length < 3) examples.push(`  at write ${point}: ${wrong[0].split('\n')[0]}`);
  }
  await play.close();
  return { points: number, bad, looked, writes: disk.log.length, rows: play.ledger.rows.size, examples };
}

async function enumerate(number) {
  const say = (name, r) => console.log(`${name}: ${r.bad} of ${r.points} points bad (${r.writes} writes and flushes, ` +
    `${r.rows} rows published, ${r.looked} promises looked up, ${seconds()} s so far)\n${r.examples.join('\n')}`);
  const good = await points(number);
  say('as shipped', good);
  const controls = { 'a file system that orders no flush': { append: 'rootflags=barrier=0' },
    'a disk that only says that it flushed': { flushes: false },
    'databases that do not sync their log': { append: 'systemd.setenv=LD_PRELOAD=/usr/lib/test/nosync.so' } };
  for (const [name, how] of Object.entries(controls)) {
    const control = await points(Math.max(10, Math.round(number / 5)), how);
    say(name, control);
    if (control.bad * 2 < control.points) throw new Failure(`${name}: the check does not see it`);
  }
  if (good.bad > 0) throw new Failure('promises were broken');
}

try {
  if (what === 'boots') await boots(Number(count));
  else if (what === 'points') await enumerate(Number(count));
  else throw new Failure('usage: cuts.mjs FOLDER boots|points NUMBER [SEED]');
  remove();
} catch (error) {
  console.error(error instanceof Failure ? `FAILED: ${error.message}` : error);
  console.error(`what was left is in ${folder}`);
  process.exit(1);
}
process.exit(0);
