// Whether the comparison sees what it is for: each promise in turn is broken on paper, and must be missed.
import { compare } from './check.mjs';

const noFrame = { devaddr: 'ffffffff', fcnt: 7 }, unknown = '<unknown@example>', never = 999999;
const newest = (map) => [...map.entries()].at(-1);
const shown = (promised, store, kept) => {
  promised.notices.push({ notice: `n-${never}`, subject: 'north', opened: '2100-01-01T00:00:00Z' });
  if (kept) store.notices.set(never, { subject: 'north', opened_s: Date.parse('2100-01-01T00:00:00Z') / 1000, ...kept });
};

// What the comparison must say, and how to make it true.
const breaks = [
  [/was stored and is not in the store/, (p, { store }) => store.reports.delete(p.rows[0].id)],
  [/neither in the spool nor in the store/, (p, { spool, store }) => {
    const { spool: of, n } = p.rows.at(-1);
    store.spools.set(of, n - 1);
    spool.rows.delete(n);
  }],
  [/said it had stored row/, (p, { store }) => store.spools.set(p.marks.at(-1).spool, p.marks.at(-1).n - 1)],
  [/add up to/, (p, { store }) => { store.sums[0].total += 2; }],
  [/add up to/, (p, { store }) => { store.sums[0].total -= 2; store.sums[0].last -= 2; }],
  [/, sent was/, (p, { store }) => { const [id, entries] = newest(store.reports); store.reports.set(id, entries + 2); }],
  [/stored twice/, (p, { store }) => { store.twice = 1; }],
  [/was acknowledged and is on no disk/, (p) => p.acknowledged.push(noFrame)],
  [/was acknowledged and never stored/, (p) => p.acknowledged.push(noFrame)],
  [/noted as sent and never arrived/, (p) => p.mail.pop()],
  [/owed and never arrived/, (p, { store }) => {
    p.mail.shift();
    Object.assign(store.outbox.find((m) => !p.mail.some(({ id }) => id === m.id)), { done_s: 0 });
    store.judged += 7200;
  }],
  [/arrived, and the store does not know it/, (p) => p.mail.push({ id: unknown })],
  [/was shown, and the store has null/, (p, { store }) => shown(p, store, null)],
  [/of notice .* was never written/, (p, { store }) => shown(p, store, { revision: 1 })],
  [/was published and never stored/, (p) => p.rows.push({ spool: 'another', n: 1, hash: '', id: 'ffffffff 7' })],
  [/still waits in the spool/, (p, { spool }) => spool.rows.set(2 ** 40, '')],
];

// What is not seen. promised and disk are as at the end of a good run.
export const unseen = (promised, disk) => breaks.flatMap(([words, spoil]) => {
  const [spoiled, spoiledDisk] = structuredClone([promised, disk]);
  spoil(spoiled, spoiledDisk);
  return compare(spoiled, spoiledDisk, { end: true }).some((text) => words.test(text)) ? [] : [`not seen: ${words}`];
});
