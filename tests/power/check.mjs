// What is on a disk after a cut, compared with what had been said before it. The file system's journal is replayed on a
// copy, the databases are taken out and asked with plain SQL.
import { execFileSync, spawnSync } from 'node:child_process';
import { closeSync, existsSync, openSync, rmSync, writeSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { sums } from '../whole/support/collector.mjs';
import { identity } from './mailbox.mjs';

const PAGE = 4096;
const folders = { spool: '/var/lib/edgerow/gateway', store: '/var/lib/edgerow/collector' };

// The image with the pages that were written, as a file.
export function writeImage(pages, path) {
  execFileSync('cp', ['--sparse=always', pages.below.path, path]);
  const fd = openSync(path, 'r+');
  for (const [number, page] of pages.map) writeSync(fd, page, 0, PAGE, number * PAGE);
  closeSync(fd);
}

// Replays the journal, as a mount does, and says what is wrong with the file system then.
function repair(path) {
  const replayed = spawnSync('e2fsck', ['-E', 'journal_only', '-y', path], { encoding: 'utf8' });
  const checked = spawnSync('e2fsck', ['-fn', path], { encoding: 'utf8' });
  return replayed.status <= 1 && checked.status === 0 ? [] :
    [`the file system is damaged:\n${replayed.stdout}${checked.stdout}`];
}

function take(image, folder, name) {
  const files = [name, `${name}-wal`].map((file) => join(folder, file));
  for (const file of files) rmSync(file, { force: true });
  rmSync(join(folder, `${name}-shm`), { force: true });
  const from = folders[name.replace('.db', '')];
  spawnSync('debugfs', ['-R', `dump ${from}/${name} ${files[0]}`, image]);
  spawnSync('debugfs', ['-R', `dump ${from}/${name}-wal ${files[1]}`, image]);
  return existsSync(files[0]) ? files[0] : null;
}

function ask(file, sql) {
  const { status, stdout, stderr } = spawnSync('sqlite3', ['-json', file, sql],
    { encoding: 'utf8', maxBuffer: 1 << 28 });
  if (status !== 0) throw new Error(`${file}: ${stderr}`);
  return stdout.trim() === '' ? [] : JSON.parse(stdout);
}

const number = (hex) => Number.parseInt(hex, 16);
const sound = (file) => ask(file, 'PRAGMA quick_check').map((r) => r.quick_check).join('; ');

function readSpool(file) {
  if (file === null) return { id: null, rows: new Map(), heard: new Map() };
  return { sound: sound(file), id: ask(file, 'SELECT id FROM spool')[0]?.id ?? null,
    rows: new Map(ask(file, 'SELECT n, lower(hex(hash)) AS hash FROM spooled').map((r) => [r.n, r.hash])),
    heard: new Map(ask(file, 'SELECT devaddr, fcnt FROM counter').map((r) => [r.devaddr, r.fcnt])) };
}

function readStore(file) {
  if (file === null)
    return { spools: new Map(), reports: new Map(), sums: [], judged: 0, outbox: [], notices: new Map() };
  const reports = ask(file, `SELECT printf('%08x', devaddr) || ' ' || fcnt AS id, hex(substr(payload, 3, 4)) AS entries
    FROM report JOIN series USING (series)`);
  return { sound: sound(file),
    spools: new Map(ask(file, 'SELECT spool, n FROM spool').map((r) => [r.spool, r.n])),
    reports: new Map(reports.map((r) => [r.id, Buffer.from(r.entries, 'hex').readUInt32LE()])),
    twice: reports.length - new Set(reports.map((r) => r.id)).size,
    sums: ask(file, sums),
    judged: ask(file, 'SELECT run_s FROM judged')[0]?.run_s ?? 0,
    outbox: ask(file, 'SELECT notice, revision, made_s, done_s, CAST(bytes AS TEXT) AS text FROM outbox')
      .map((r) => ({ ...r, id: identity(r.text) })),
    notices: new Map(ask(file, 'SELECT id, subject, opened_s, revision FROM notice').map((r) => [r.id, r])) };
}

// A row that was published is on the gateway's disk, or the collector says that it is on its own, and then it is there.
function checkRows(promised, spool, store, say) {
  for (const { spool: of, n, hash, id } of promised.rows) {
    if (n <= (store.spools.get(of) ?? 0)) {
      if (id !== null && !store.reports.has(id)) say(`row ${n} (${id}) was stored and is not in the store`);
    } else if (of !== spool.id || spool.rows.get(n) !== hash) {
      say(`row ${n} (${id}) was published and is neither in the spool nor in the store`);
    }
  }
  for (const { spool: of, n } of promised.marks)
    if ((store.spools.get(of) ?? 0) < n) say(`the collector said it had stored row ${n}, and holds ` +
      `${store.spools.get(of) ?? 'nothing'}`);
}

// Hours, pruned days and unplaced passes are the last counter heard, and that is what the station had sent.
function checkCounters(promised, store, say) {
  for (const [id, entries] of store.reports)
    if (promised.frames.get(id) !== entries) say(`report ${id} says ${entries}, sent was ${promised.frames.get(id)}`);
  const last = new Map();
  for (const [id, entries] of store.reports) {
    const devaddr = id.slice(0, 8);
    last.set(devaddr, Math.max(last.get(devaddr) ?? 0, entries));
  }
  for (const { devaddr, total, last: heard } of store.sums)
    if (total !== heard || heard !== last.get(devaddr))
      say(`the hours of ${devaddr} add up to ${total}, its counter is ${heard}, heard was ${last.get(devaddr)}`);
  if (store.twice) say(`${store.twice} reports are stored twice`);
}

function checkAnswers(promised, spool, store, say) {
  for (const { devaddr, fcnt } of promised.acknowledged)
    if (!store.reports.has(`${devaddr} ${fcnt}`) && (spool.heard.get(number(devaddr)) ?? -1) < fcnt)
      say(`frame ${fcnt} of ${devaddr} was acknowledged and is on no disk`);
}

// What has arrived was owed; what is noted as sent has arrived; a notice that was shown is known.
function checkMessages(promised, store, say) {
  const owed = new Map(store.outbox.map((m) => [m.id, m]));
  const arrived = new Set(promised.mail.map((m) => m.id));
  for (const id of arrived) if (!owed.has(id)) say(`message ${id} arrived, and the store does not know it`);
  for (const [id, m] of owed) if (m.done_s > 0 && !arrived.has(id)) say(`message ${id} is noted as sent and never arrived`);
  for (const { notice, subject, opened } of promised.notices) {
    const kept = store.notices.get(Number(notice.slice(2)));
    if (kept?.subject !== subject || kept.opened_s !== Date.parse(opened) / 1000)
      say(`notice ${notice} of ${subject} was shown, and the store has ${JSON.stringify(kept ?? null)}`);
  }
}

// After the machine had time to do what was due: everything is stored, and every owed message is in the mailbox.
function checkEnd(promised, spool, store, say) {
  const arrived = new Set(promised.mail.map((m) => m.id));
  for (const { id } of promised.rows)
    if (id !== null && !store.reports.has(id)) say(`frame ${id} was published and never stored`);
  for (const { devaddr, fcnt } of promised.acknowledged)
    if (!store.reports.has(`${devaddr} ${fcnt}`)) say(`frame ${fcnt} of ${devaddr} was acknowledged and never stored`);
  for (const n of spool.rows.keys())
    if (n > (store.spools.get(spool.id) ?? 0)) say(`row ${n} still waits in the spool`);
  // The mailbox takes everything at once, so that nothing may be tried for hours.
  for (const { id, made_s: made } of store.outbox)
    if (!arrived.has(id) && made <= store.judged - 7200) say(`message ${id} was owed and never arrived`);
  for (const { notice } of promised.notices) checkTold(Number(notice.slice(2)), store, say);
}

// Each revision of a notice is a message of its own, or was folded into a later morning letter.
function checkTold(notice, store, say) {
  const kept = store.notices.get(notice);
  for (let revision = 1; revision <= kept?.revision; revision++)
    if (!store.outbox.some((m) => (m.notice === notice && m.revision === revision) ||
      (m.notice === 0 && m.made_s >= kept.opened_s))) say(`revision ${revision} of notice ${notice} was never written`);
}

// What is on the disk, as the next boot would find it, and what is damaged there.
function readDisk(pages, folder) {
  mkdirSync(folder, { recursive: true });
  const image = join(folder, 'disk.img');
  writeImage(pages, image);
  const damage = repair(image);
  try {
    const spool = readSpool(take(image, folder, 'spool.db'));
    const store = readStore(take(image, folder, 'store.db'));
    for (const [name, db] of Object.entries({ spool, store }))
      if ((db.sound ?? 'ok') !== 'ok') damage.push(`the ${name} is damaged: ${db.sound}`);
    return { damage, spool, store };
  } catch (error) { // a database that cannot be read
    return { damage: [...damage, error.message] };
  }
}

// The promises that the disk breaks. end: nothing may be on its way any more.
export function compare(promised, { spool, store }, { end = false } = {}) {
  const wrong = [];
  const say = (text) => wrong.push(text);
  checkRows(promised, spool, store, say);
  checkCounters(promised, store, say);
  checkAnswers(promised, spool, store, say);
  checkMessages(promised, store, say);
  if (end) checkEnd(promised, spool, store, say);
  return wrong;
}

// Returns what is wrong, and how much was looked at.
export function checkDisk(pages, promised, folder, how) {
  const disk = readDisk(pages, folder);
  if (!disk.store) return { wrong: disk.damage };
  return { wrong: [...disk.damage, ...compare(promised, disk, how)], disk, reports: disk.store.reports.size,
    spooled: disk.spool.rows.size };
}
