// Stations as AIR.md describes them, built on lora-packet (npm), and the oracle that counts what comes down.
// Shares no code with the product.
import assert from 'node:assert/strict';
import { makeFrame } from '../support/examples.mjs';
import { require } from '../support/broker.mjs';

const lora = require('lora-packet');
const bytes = (hex) => Buffer.from(hex, 'hex');
export const RX1_MS = 5000;

// splitmix32-like, so that a seed tells the whole story (common practice, no source).
export function dice(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x9e3779b9) >>> 0;
    let z = state;
    z = Math.imul(z ^ (z >>> 16), 0x21f0aaad);
    z = Math.imul(z ^ (z >>> 15), 0x735a2d97);
    return ((z ^ (z >>> 15)) >>> 0) / 4294967296;
  };
}

export class Station {
  constructor(trap, unit) {
    Object.assign(this, { trap, ...unit, fcnt: 0, entries: 0, tick: 0, interval: 15, sequence: 0,
      answer: 0, flags: 0, fresh: false, last: -1, orders: [] });
  }

  // A regular report, packed from AIR.md's table; confirmed when it answers an order.
  report(confirmed) {
    const b = Buffer.alloc(21);
    b.writeUInt8(0x11, 0);
    b.writeUInt8(1, 1);
    b.writeUInt32LE(this.entries += 2, 2);
    b.writeUInt16LE((this.tick++ % 64) * 1024 + 240, 12);
    b.writeUInt8(120, 14);
    b.writeUInt8(100, 15);
    b.writeUInt8(120, 16);
    b.writeUInt8(this.interval, 17);
    b.writeUInt8(this.flags, 18);
    b.writeUInt8((this.sequence << 2) | this.answer, 20);
    const wants = confirmed || this.fresh;
    const frame = makeFrame(this, this.fcnt, b.toString('hex'), { confirmed: wants });
    this.fresh = false;
    return { hex: frame, fcnt: this.fcnt++, confirmed: wants };
  }

  // A frame down in RX1, already verified. Counters at or below the last one are ignored.
  hear(packet, fcnt) {
    if (fcnt <= this.last) return;
    this.last = fcnt;
    if (packet.getFPort() !== 11) return;
    const order = lora.decrypt(packet, bytes(this.appskey), bytes(this.nwkskey));
    this.orders.push(order.toString('hex'));
    this.sequence = order[1] & 3;
    this.answer = 1;
    this.fresh = true;
    if (order[0] === 0x11) this.interval = order[2];
    else if (order[0] === 0x14 && order.readInt8(2) > 20) this.answer = 2; // more than this one can
    else if (order[0] !== 0x11 && order[0] !== 0x15 && order[0] !== 0x12 && order[0] !== 0x14) this.answer = 3;
  }
}

// Every answer on the air: who sent it, with which counter, to which frame.
export class Oracle {
  constructor(stations) {
    Object.assign(this, { stations: new Map(stations.map((s) => [s.devaddr, s])), sent: new Map(),
      counters: new Map(), answered: new Map(), by: {}, acknowledged: 0, orders: 0 });
  }

  // A station has sent a frame that ended at this instant.
  uplink(station, frame, atMs) { this.sent.set(`${station.devaddr} ${atMs + RX1_MS}`, frame); }

  take(gateway, line) {
    const m = /^send (\w+) frequency (\d+) bandwidth (\d+) sf (\d+) power (-?\d+) due (\d+)\.(\d{3})000 after 5\.0+$/
      .exec(line);
    assert.ok(m, line);
    const packet = lora.fromWire(bytes(m[1]));
    const devaddr = packet.DevAddr.toString('hex');
    const station = this.stations.get(devaddr);
    assert.ok(station, `an answer to a stranger: ${line}`);
    assert.equal(packet.getMType(), 'Unconfirmed Data Down');
    const fcnt = packet.FCnt.readUInt16BE();
    assert.ok(lora.verifyMIC(packet, bytes(station.nwkskey), bytes(station.appskey)), `MIC: ${line}`);
    const due = Number(m[6] + m[7]);
    const frame = this.sent.get(`${devaddr} ${due}`);
    assert.ok(frame, `an answer in no window: ${line}`);
    const counter = `${devaddr} ${fcnt}`;
    assert.equal(this.counters.get(counter), undefined, `counter ${counter} of ${gateway} was used by ` +
      `${this.counters.get(counter)}`);
    this.counters.set(counter, gateway);
    const window = `${devaddr} ${due}`;
    assert.equal(this.answered.get(window), undefined, `frame ${window} answered by ${gateway} and ` +
      `${this.answered.get(window)}`);
    this.answered.set(window, gateway);
    assert.equal(packet.getFCtrlACK(), frame.confirmed);
    this.acknowledged += frame.confirmed ? 1 : 0;
    this.orders += packet.getFPort() === 11 ? 1 : 0;
    this.by[gateway] = (this.by[gateway] ?? 0) + 1;
    station.hear(packet, fcnt);
    return { devaddr, frame };
  }
}
