// What was heard of the machine, kept where no cut reaches: rows and marks on the broker, answers on the air, notices
// and mail. Each is a promise about the disk: it was true when it was said, and must be for ever. With each goes the
// number of writes and flushes the disk had seen when it was heard.
import { identity } from './mailbox.mjs';

export class Ledger {
  constructor(moment) {
    Object.assign(this, { moment, rows: new Map(), marks: new Map(), mail: new Map(), notices: new Map(),
      acknowledged: new Map(), frames: new Map(), heard: new Set(), sent: 0, newest: 0, stored: 0, broken: [] });
  }

  // A frame goes on the air. Whether anybody hears it is not known.
  frame(station, fcnt) {
    this.frames.set(`${station.devaddr} ${fcnt}`, station.entries);
    this.sent++;
  }

  message(topic, text) {
    if (text === '') return;
    const value = JSON.parse(text);
    if (topic.endsWith('/row')) this.row(value);
    else if (topic.includes('/stored/')) this.mark(value);
    else if (topic.includes('/notice/')) this.notice(value);
  }

  row({ spool, n, hash, frame }) {
    if (frame) this.heard.add(`${frame.devaddr} ${frame.fcnt}`);
    this.newest = n;
    const key = `${spool} ${n}`, known = this.rows.get(key);
    if (known === undefined) this.rows.set(key, { spool, n, hash, at: this.moment(),
      id: frame ? `${frame.devaddr} ${frame.fcnt}` : null });
    else if (known.hash !== hash) this.broken.push(`number ${n} of spool ${spool} was used for two rows`);
  }

  mark({ spool, n, hash }) {
    this.stored = n;
    if (n > 0) this.marks.set(`${spool} ${n}`, { spool, n, hash, at: this.moment() });
  }

  notice({ notice, kind, subject, opened_at: opened }) {
    if (!this.notices.has(notice)) this.notices.set(notice, { notice, kind, subject, opened, at: this.moment() });
  }

  letter(text) {
    const id = identity(text);
    if (id === undefined) this.broken.push('a message without an identity');
    else if (!this.mail.has(id)) this.mail.set(id, { id, at: this.moment() });
  }

  // An acknowledgement on the air: the frame is safely on disk (AIR.md, 7.6).
  acknowledge(devaddr, fcnt) {
    const known = this.acknowledged.get(devaddr) ?? [];
    known.push({ fcnt, at: this.moment() });
    this.acknowledged.set(devaddr, known);
  }

  // What had been said when the disk had seen so many writes and flushes.
  promised(events = Infinity) {
    const till = (map) => [...map.values()].filter((p) => p.at <= events);
    return { frames: this.frames, rows: till(this.rows), marks: till(this.marks), mail: till(this.mail),
      notices: till(this.notices), acknowledged: [...this.acknowledged].flatMap(([devaddr, list]) =>
        list.filter((p) => p.at <= events).map(({ fcnt }) => ({ devaddr, fcnt }))) };
  }
}
