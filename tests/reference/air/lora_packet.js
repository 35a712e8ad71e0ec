// Frames against the npm library lora-packet 0.9.3, in both directions: what it builds we read, what we
// build it reads. EDGEROW_SEED chooses other random frames.
"use strict";
const { spawnSync } = require("node:child_process");
const lora = require("lora-packet");

const tool = process.argv[2];
const count = Number(process.argv[3]);
const seed = Number(process.env.EDGEROW_SEED || 20261125);

// A linear congruential generator with the constants of Numerical Recipes' "quick and dirty" one.
let state = seed >>> 0;
function below(limit) {
  state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
  return Math.floor((state / 4294967296) * limit);
}
const bytes = (n) => Buffer.from(Array.from({ length: n }, () => below(256)));
const hexOf = (buffer) => (buffer.length ? buffer.toString("hex") : "-");

function randomFrame() {
  const type = below(4);
  const up = type % 2 === 0;
  const fport = below(10) === 0 ? -1 : [0, 1, 10, 11, 223, 255, below(256)][below(7)];
  const fopts = fport !== 0 && below(4) === 0 ? bytes(below(16)) : Buffer.alloc(0);
  const room = 242 - fopts.length;
  const length = fport < 0 ? 0 : below(3) ? below(60) : below(room + 1);
  const fcnt = [below(65536), below(65536) + 65536 * below(65536), 65535, 65536, 0xffffffff][below(5)];
  return {
    type, devaddr: bytes(4), nwk: bytes(16), app: bytes(16), fport, fopts, fcnt,
    adr: below(2), ackReq: up ? below(2) : 0, ack: below(2), pending: up ? 0 : below(2),
    payload: bytes(length),
  };
}

// lora-packet takes the high half little-endian.
function highHalf(fcnt) {
  const high = Buffer.alloc(2);
  high.writeUInt16LE(Math.floor(fcnt / 65536));
  return high;
}

function theirs(f) {
  const low = Buffer.alloc(2);
  low.writeUInt16BE(f.fcnt % 65536);
  const fields = {
    MType: f.type + 2, DevAddr: f.devaddr, FCnt: low, FOpts: f.fopts, payload: f.payload,
    FCtrl: { ADR: !!f.adr, ADRACKReq: !!f.ackReq, ACK: !!f.ack, FPending: !!f.pending },
  };
  if (f.fport >= 0) fields.FPort = f.fport;
  const packet = lora.fromFields(fields, f.app, f.nwk, null, highHalf(f.fcnt));
  if (f.fport >= 0) return packet.PHYPayload;
  // Without a port it leaves the MIC to a second call.
  const bare = lora.fromWire(packet.PHYPayload);
  const mic = lora.calculateMIC(bare, f.nwk, null, highHalf(f.fcnt));
  return Buffer.concat([packet.PHYPayload.subarray(0, -4), mic]);
}

function ask(lines) {
  const run = spawnSync(tool, { input: lines.join("\n") + "\n", maxBuffer: 1 << 28 });
  if (run.status !== 0) throw new Error(`${tool} ended with ${run.status}: ${run.stderr}`);
  const answers = run.stdout.toString().trimEnd().split("\n");
  if (answers.length !== lines.length) throw new Error(`${answers.length} answers to ${lines.length} lines`);
  return answers;
}

let wrong = 0;
function expect(what, got, want) {
  if (got === want) return;
  if (wrong++ < 5) console.error(`${what}:\n  got  ${got}\n  want ${want}`);
}

function theyBuildWeRead(frames) {
  const lines = frames.map((f) => `read ${hexOf(f.nwk)} ${hexOf(f.app)} ${f.fcnt} ${hexOf(theirs(f))}`);
  ask(lines).forEach((answer, i) => {
    const f = frames[i];
    const want = [f.type, f.devaddr.readUInt32BE(), f.adr, f.ackReq, f.ack, f.pending, f.fcnt % 65536,
      f.fport, hexOf(f.fopts), hexOf(f.payload), 1].join(" ");
    expect(`frame ${i} of seed ${seed}, read`, answer, want);
  });
}

function weBuildTheyRead(frames) {
  const lines = frames.map((f) =>
    ["build", f.type, f.devaddr.readUInt32BE(), f.adr, f.ackReq, f.ack, f.pending, f.fcnt, f.fport,
      hexOf(f.nwk), hexOf(f.app), hexOf(f.fopts), hexOf(f.payload)].join(" "));
  ask(lines).forEach((answer, i) => {
    const f = frames[i];
    const packet = lora.fromWire(Buffer.from(answer, "hex"));
    const high = highHalf(f.fcnt);
    const port = packet.getFPort();
    const clear = f.payload.length ? lora.decrypt(packet, f.app, f.nwk, high) : Buffer.alloc(0);
    const got = [packet._getMType() - 2, hexOf(packet.DevAddr), packet.FCnt.readUInt16BE(),
      port === null ? -1 : port, hexOf(packet.FOpts), hexOf(clear),
      lora.verifyMIC(packet, f.nwk, null, high)].join(" ");
    const want = [f.type, hexOf(f.devaddr), f.fcnt % 65536, f.fport, hexOf(f.fopts), hexOf(f.payload), true]
      .join(" ");
    expect(`frame ${i} of seed ${seed}, built`, got, want);
    expect(`frame ${i} of seed ${seed}, bytes`, answer, hexOf(theirs(f)));
  });
}

const frames = Array.from({ length: count }, randomFrame);
theyBuildWeRead(frames);
weBuildTheyRead(frames);
console.log(`${count} frames each way, ${wrong} differences`);
process.exit(wrong ? 1 : 0);
