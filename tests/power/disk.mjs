// A disk that forgets: what was written is there after a power cut only when a flush or FUA covered it. Of the
// rest a cut keeps whatever its dice say, down to single sectors. It also keeps the log from which any other cut
// of the same run can be made.
import { openSync, readSync } from 'node:fs';

const PAGE = 4096;
export const SECTOR = 512;

// Pages that differ from the image below them.
export class Pages {
  constructor(below) { Object.assign(this, { below, map: new Map() }); }

  page(number) { return this.map.get(number) ?? this.below.page(number); }

  read(offset, length) {
    const out = Buffer.allocUnsafe(length);
    for (let done = 0; done < length;) {
      const at = offset + done, from = at % PAGE, n = Math.min(PAGE - from, length - done);
      this.page(Math.floor(at / PAGE)).copy(out, done, from, from + n);
      done += n;
    }
    return out;
  }

  write(offset, data) {
    for (let done = 0; done < data.length;) {
      const at = offset + done, from = at % PAGE, n = Math.min(PAGE - from, data.length - done);
      const number = Math.floor(at / PAGE);
      let page = this.map.get(number);
      if (page === undefined) this.map.set(number, page = Buffer.from(this.below.page(number)));
      data.copy(page, from, done, done + n);
      done += n;
    }
  }
}

// The image a machine begins with; never written.
export class Image {
  constructor(path, size) { Object.assign(this, { path, size, fd: openSync(path, 'r'), map: new Map() }); }

  page(number) {
    const page = Buffer.alloc(PAGE);
    readSync(this.fd, page, 0, PAGE, number * PAGE);
    return page;
  }
}

function tear(target, write, random) {
  for (let at = 0; at < write.data.length; at += SECTOR)
    if (random() < 0.5) target.write(write.offset + at, write.data.subarray(at, at + SECTOR));
}

// What a cut leaves of the writes no flush covers, oldest first. One cut in three keeps none, one in three those up
// to some moment, the others any; of those kept, one in eight is torn.
export function keep(target, pending, random) {
  const kind = ['none', 'first', 'any'][Math.floor(random() * 3)];
  const share = random();
  let kept = 0;
  for (const [i, write] of pending.entries()) {
    const wanted = { none: false, first: i < share * pending.length, any: random() < share }[kind];
    if (!write.certain && !wanted) continue;
    if (write.certain || random() >= 0.125) target.write(write.offset, write.data);
    else tear(target, write, random);
    kept++;
  }
  return { kind, pending: pending.length, kept };
}

export class Disk {
  // flushes: false is a disk that says it has flushed and has not.
  constructor(image, { flushes = true, log = null } = {}) {
    Object.assign(this, { image, size: image.size, flushes, log, events: 0, pending: [],
      durable: new Pages(image) });
    this.now = new Pages(this.durable);
  }

  read(offset, length) { return this.now.read(offset, length); }

  note(event) {
    this.events++;
    this.log?.push(event);
  }

  write(offset, data, certain) {
    const write = { offset, data: Buffer.from(data), certain: certain && this.flushes };
    this.now.write(offset, data);
    this.pending.push(write);
    this.note(write);
  }

  flush() {
    this.note(null);
    if (!this.flushes) return;
    for (const [number, page] of this.now.map) this.durable.map.set(number, page);
    this.now.map.clear();
    this.pending = [];
  }

  cut(random) {
    this.now.map.clear();
    const left = keep(this.durable, this.pending, random);
    this.pending = [];
    return left;
  }
}
