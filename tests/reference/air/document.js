// AIR.md read by somebody who has only AIR.md and another implementation of the link layer: its layout
// tables drive a decoder, its examples are opened and rebuilt with the npm library lora-packet 0.9.3, its
// table of delivery is recomputed from the published formulas. The decoder must agree with ours.
"use strict";
const { spawnSync } = require("node:child_process");
const { readFileSync } = require("node:fs");
const lora = require("lora-packet");

const [tool, file] = process.argv.slice(2);
const text = readFileSync(file, "utf8");
let wrong = 0, compared = 0;

function expect(what, got, want) {
  compared++;
  if (String(got) === String(want)) return;
  if (wrong++ < 10) console.error(`${what}:\n  got  ${got}\n  want ${want}`);
}

// ---- tables -----------------------------------------------------------------------------------------

function rowsAfter(heading) {
  const from = text.indexOf(heading);
  if (from < 0) throw new Error(`no "${heading}" in ${file}`);
  const lines = text.slice(from).split("\n").slice(1);
  const start = lines.findIndex((l) => l.startsWith("|"));
  const table = [];
  for (let i = start; lines[i].startsWith("|"); i++)
    table.push(lines[i].split("|").slice(1, -1).map((cell) => cell.trim()));
  const [head, , ...body] = table;
  return body.map((cells) => Object.fromEntries(head.map((name, i) => [name, cells[i]])));
}

const range = (cell) => {
  const found = /^(-?\d+)-?(-?\d+)?$/.exec(cell);
  if (!found) throw new Error(`not a range: ${cell}`);
  return [Number(found[1]), Number(found[2] ?? found[1])];
};

function valueOf(row, code) {
  if (row.Value === "code") return code;
  if (row.Value === "code, signed") return code > 127 ? code - 256 : code;
  if (row.Value === "125000 x 2^code") return 125000 * 2 ** code;
  const found = /^(\d+) x code(?: ([+-]) (\d+))?$/.exec(row.Value);
  if (!found) throw new Error(`not a value this reader knows: ${row.Value}`);
  return Number(found[1]) * code + (found[2] === "-" ? -1 : 1) * Number(found[3] ?? 0);
}

function codeOf(row, payload) {
  const [first, last] = range(row.Bytes);
  let code = payload.readUIntLE(first, last - first + 1);
  if (!row.Bits) return code;
  const [low, high] = range(row.Bits);
  return Math.floor(code / 2 ** low) % 2 ** (high - low + 1);
}

// All fields of a payload by name, or null where the table refuses it.
function decode(rows, payload) {
  const fields = {};
  for (const row of rows.filter((r) => r.Field)) {
    const name = row.Field.replace(/`/g, "");
    if (name === "recent") {
      const list = payload.subarray(range(row.Bytes)[0]);
      fields.recent = list.length ? [...list].join(",") : "none";
      continue;
    }
    const code = codeOf(row, payload);
    const signed = row.Value === "code, signed";
    const [least, most] = range(row["Valid codes"]);
    const measured = signed ? valueOf(row, code) : code;
    if (measured >= least && measured <= most) fields[name] = valueOf(row, code);
    else if (row.Otherwise === "unknown") fields[name] = "unknown";
    else return null;
  }
  return fields;
}

const layouts = { 1: rowsAfter("### Regular report, kind 1"), 2: rowsAfter("### Daily report, kind 2") };
const orderRows = rowsAfter("## 5. The order");
const orderKinds = new Map(orderRows.map((r) => r.kind.split(" ")).map(([n, word]) => [word, Number(n)]));
const orderLayout = (kind) => orderRows.filter((r) => Number(r.kind.split(" ")[0]) === kind);

// ---- examples ---------------------------------------------------------------------------------------

const examples = [...text.matchAll(/^```example\n([^]*?)^```/gm)].map((match) =>
  Object.fromEntries(match[1].trim().split("\n").map((line) => line.split(/: (.*)/).slice(0, 2))));

const bytes = (hex) => Buffer.from(hex, "hex");

function openFrame(e) {
  const packet = lora.fromWire(bytes(e.frame));
  const high = Buffer.alloc(2); // little-endian, as lora-packet takes it
  high.writeUInt16LE(Math.floor(Number(e.fcnt) / 65536));
  const payload = e.payload ?? e.clear ?? "";
  expect(`MIC of ${e.frame}`, lora.verifyMIC(packet, bytes(e.nwkskey), null, high), true);
  expect("address", packet.DevAddr.toString("hex"), e.devaddr);
  expect("port", packet.getFPort() ?? "none", e.fport);
  expect("confirmed", packet.isConfirmed() ? "yes" : "no", e.confirmed);
  expect("ack", packet.getFCtrlACK(), e.ack === "yes");
  if (payload) {
    const clear = lora.decrypt(packet, bytes(e.appskey), bytes(e.nwkskey), high);
    expect(`payload of ${e.frame}`, clear.toString("hex"), payload);
    const type = { up: { no: 2, yes: 4 }, down: { no: 3, yes: 5 } }[e.direction][e.confirmed];
    const low = Buffer.alloc(2);
    low.writeUInt16BE(Number(e.fcnt) % 65536);
    const made = lora.fromFields({ MType: type, DevAddr: bytes(e.devaddr), FCnt: low, FPort: Number(e.fport),
      FCtrl: { ACK: e.ack === "yes" }, payload: clear }, bytes(e.appskey), bytes(e.nwkskey), null, high);
    expect("frame made again", made.PHYPayload.toString("hex"), e.frame);
  }
}

function compareFields(e, fields) {
  for (const [name, value] of Object.entries(fields)) if (name !== "kind") expect(name, value, e[name]);
}

for (const e of examples) {
  if (e.frame) openFrame(e);
  if (e.report) {
    const payload = bytes(e.payload);
    const kind = e.report === "daily" ? 2 : 1;
    expect("first byte", payload[0], 16 + kind);
    compareFields(e, decode(layouts[kind], payload));
  }
  if (e.order) {
    const payload = bytes(e.payload);
    expect("first byte", payload[0], 16 + orderKinds.get(e.order));
    expect("sequence", payload[1], e.sequence);
    compareFields(e, decode(orderLayout(orderKinds.get(e.order)), payload));
  }
}
for (const word of orderKinds.keys())
  expect(`an example of order ${word}`, examples.some((e) => e.order === word), true);
for (const word of ["regular", "daily"])
  expect(`an example of report ${word}`, examples.some((e) => e.report === word), true);

// ---- random payloads against ours -------------------------------------------------------------------

let state = Number(process.env.EDGEROW_SEED || 20261125) >>> 0;
function below(limit) {
  state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
  return Math.floor((state / 4294967296) * limit);
}

function randomPayload(first, length) {
  const payload = Buffer.from(Array.from({ length }, () => below(256)));
  payload[0] = first;
  return payload;
}

function ask(lines) {
  const run = spawnSync(tool, { input: lines.join("\n") + "\n", maxBuffer: 1 << 28 });
  if (run.status !== 0) throw new Error(`${tool} ended with ${run.status}: ${run.stderr}`);
  return run.stdout.toString().trimEnd().split("\n").map((line) =>
    line.startsWith("error") ? null : Object.fromEntries(line.split(" ").map((pair) => pair.split("="))));
}

let readable = 0;
function compare(word, rowsFor, payloads) {
  ask(payloads.map((p) => `${word} ${p.toString("hex")}`)).forEach((ours, i) => {
    const theirs = decode(rowsFor(payloads[i]), payloads[i]);
    expect(`${payloads[i].toString("hex")} usable`, ours !== null, theirs !== null);
    if (!ours || !theirs) return;
    readable++;
    for (const [name, value] of Object.entries(theirs))
      expect(`${payloads[i].toString("hex")} ${name}`, ours[name], value);
  });
}

const reports = Array.from({ length: 4000 }, () => {
  const payload = below(2) ? randomPayload(0x11, 21 + below(8)) : randomPayload(0x12, 28);
  if (below(4)) payload[payload[0] === 0x11 ? 17 : 21] = 1 + below(60);
  return payload;
});
compare("report", (p) => layouts[p[0] & 15], reports);

const orderLengths = { 1: 3, 2: 4, 3: 6, 4: 3, 5: 2 };
const orders = Array.from({ length: 4000 }, () => {
  const kind = 1 + below(5);
  return randomPayload(16 + kind, orderLengths[kind]);
}).filter((p) => p[0] !== 0x12 || p[3] < p[2]); // the low mark is below the full one, as the table says
compare("order", (p) => orderLayout(p[0] & 15), orders);
expect("enough random payloads were readable", readable > 3000, true);

// ---- time on air and delivery: SX1276 datasheet section 4.1.1.7; pure ALOHA, Abramson 1970 ------------

function onAirMs(sf, bw, length) {
  const ts = 2 ** sf / bw, de = ts > 0.016 ? 1 : 0;
  const n = 8 + Math.max(Math.ceil((8 * length - 4 * sf + 44) / (4 * (sf - 2 * de))) * 5, 0);
  return 1000 * (12.25 + n) * ts;
}

for (const row of rowsAfter("Time on air, from the formula")) {
  const of = (length) => onAirMs(Number(row.spreading_factor), Number(row.bandwidth_hz), length);
  expect("34 bytes", row["34 bytes, ms"], of(34).toFixed(1));
  expect("41 bytes", row["41 bytes, ms"], of(41).toFixed(1));
  for (const n of [300, 1000]) {
    const share = 100 * Math.exp((-2 * (n - 1) * of(41)) / 1000 / 900);
    expect(`${n} stations`, row[`${n} stations`], `${share.toFixed(1)} %`);
  }
}

console.log(`${examples.length} examples, ${compared} comparisons, ${wrong} wrong`);
process.exit(wrong || examples.length < 10 ? 1 : 0);
