// The worked examples of protocol/air/AIR.md, and frames made from them by lora-packet, which shares no
// code with the product.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { require, top } from './broker.mjs';

const lora = require('lora-packet');
const bytes = (hex) => Buffer.from(hex, 'hex');

export const examples = [...readFileSync(join(top, 'protocol/air/AIR.md'), 'utf8')
  .matchAll(/^```example\n(.*?)^```$/gms)].map(([, text]) => Object.fromEntries(
  text.trim().split('\n').map((line) => line.split(': '))));

export const reports = examples.filter((e) => e.direction === 'up' && e.report && e.frame);

// A frame up: unit { devaddr, nwkskey, appskey }, full counter, payload in hex.
export function makeFrame(unit, fcnt, payload, { confirmed = false, fport = 10 } = {}) {
  const low = Buffer.alloc(2);
  low.writeUInt16BE(fcnt % 65536);
  const high = Buffer.alloc(2);
  high.writeUInt16LE(Math.floor(fcnt / 65536));
  return lora.fromFields({ MType: confirmed ? 4 : 2, DevAddr: bytes(unit.devaddr), FCnt: low,
    FPort: fport, FCtrl: {}, payload: bytes(payload) }, bytes(unit.appskey), bytes(unit.nwkskey),
  null, high).PHYPayload.toString('hex');
}

const number = (text) => (text === 'unknown' ? null : Number(text));
const scaled = (text, factor) => (text === 'unknown' ? null : Number(text) * factor);
const round = (value) => (value === null ? null : Math.round(value * 1e6) / 1e6);

// What the feed says of an example's report, by the descriptions in protocol/feed/schema/row.json.
export function expectedReport(e) {
  const flag = (bit) => (Number(e.flags) & bit) !== 0;
  const answers = ['none', 'done', 'refused', 'unknown_order'];
  const report = {
    kind: e.report, epoch: Number(e.epoch), entries: Number(e.entries),
    level_mm: round(scaled(e.level_qmm, 0.25)), interval_min: Number(e.interval_min),
    tick: Number(e.tick), tilt: flag(1), service: flag(2), level_fault: flag(4),
    counter_fault: flag(8), restart: flag(16), service_sequence: Number(e.service_sequence),
    order_sequence: Number(e.order_sequence), order_answer: answers[Number(e.order_answer)],
    tick_age_s: round(Number(e.age_256) * Number(e.interval_min) * 60 / 256),
  };
  if (e.report === 'daily') return { ...report,
    exits: Number(e.exits), short_passes: Number(e.short_passes), blocked_s: 2 * Number(e.blocked_2s),
    full_mark_mm: number(e.full_mark_mm), low_mark_mm: number(e.low_mark_mm),
    firmware_major: Number(e.firmware_major), firmware_minor: Number(e.firmware_minor),
    restarts: Number(e.restarts) };
  const recent = e.recent === 'none' ? [] : e.recent.split(',').map(Number);
  return { ...report,
    exits_low: Number(e.exits), short_passes_low: Number(e.short_passes),
    blocked_low_s: 2 * Number(e.blocked_2s), temperature_c: round(scaled(e.temperature_dc, 0.1)),
    humidity_percent: round(scaled(e.humidity_pm, 0.1)), battery_v: round(scaled(e.battery_mv, 0.001)),
    recent: recent.map((count) => (count === 255 ? null : count)) };
}
