// A disk served by the network block device protocol (the protocol document of the NetworkBlockDevice project,
// doc/proto.md: fixed newstyle negotiation, simple replies), on a local socket. Requests are done in order.
import { createServer } from 'node:net';

const MAGIC = Buffer.from('NBDMAGICIHAVEOPT');
const OPTION_REPLY = 0x3e889045565a9n, REQUEST = 0x25609513, REPLY = 0x67446698;
const OPTION = { EXPORT_NAME: 1, ABORT: 2, INFO: 6, GO: 7 };
const ANSWER = { ACK: 1, INFO: 3, UNSUPPORTED: 0x80000001 };
const COMMAND = { READ: 0, WRITE: 1, DISCONNECT: 2, FLUSH: 3 };
const FUA = 1;
const FLAGS = 1 | 4 | 8; // has flags, flush, FUA
const EINVAL = 22;

// Bytes as they come, taken in the pieces that are asked for.
class Intake {
  constructor(socket) {
    Object.assign(this, { chunks: [], have: 0, wanted: 0, wake: null, ended: false });
    socket.on('data', (data) => {
      this.chunks.push(data);
      this.have += data.length;
      if (this.wake && this.have >= this.wanted) this.wake();
    });
    socket.on('error', () => {});
    socket.on('close', () => { this.ended = true; this.wake?.(); });
  }

  async take(length) {
    if (this.have < length && !this.ended) {
      this.wanted = length;
      await new Promise((done) => { this.wake = done; });
      this.wake = null;
    }
    if (this.have < length) return null;
    const all = this.chunks.length === 1 ? this.chunks[0] : Buffer.concat(this.chunks);
    this.chunks = all.length > length ? [all.subarray(length)] : [];
    this.have -= length;
    return all.subarray(0, length);
  }
}

function answer(socket, option, type, data = Buffer.alloc(0)) {
  const head = Buffer.alloc(20);
  head.writeBigUInt64BE(OPTION_REPLY, 0);
  head.writeUInt32BE(option, 8);
  head.writeUInt32BE(type, 12);
  head.writeUInt32BE(data.length, 16);
  socket.write(Buffer.concat([head, data]));
}

function exportInfo(size) {
  const info = Buffer.alloc(12);
  info.writeBigUInt64BE(BigInt(size), 2); // type 0: the export
  info.writeUInt16BE(FLAGS, 10);
  return info;
}

// True when transmission begins.
async function negotiate(socket, intake, size) {
  socket.write(Buffer.concat([MAGIC, Buffer.from([0, 3])]));
  const client = await intake.take(4);
  for (let head; client && (head = await intake.take(16));) {
    const option = head.readUInt32BE(8);
    if ((await intake.take(head.readUInt32BE(12))) === null) return false;
    if (option === OPTION.EXPORT_NAME) {
      socket.write(Buffer.concat([exportInfo(size).subarray(2),
        Buffer.alloc((client.readUInt32BE(0) & 2) === 0 ? 124 : 0)]));
      return true;
    }
    if (option === OPTION.INFO || option === OPTION.GO) {
      answer(socket, option, ANSWER.INFO, exportInfo(size));
      answer(socket, option, ANSWER.ACK);
      if (option === OPTION.GO) return true;
    } else {
      answer(socket, option, option === OPTION.ABORT ? ANSWER.ACK : ANSWER.UNSUPPORTED);
      if (option === OPTION.ABORT) return false;
    }
  }
  return false;
}

function perform(disk, { type, flags, offset, length }, data) {
  if (type === COMMAND.READ && offset + length <= disk.size) return disk.read(offset, length);
  if (type === COMMAND.WRITE && offset + length <= disk.size) disk.write(offset, data, (flags & FUA) !== 0);
  else if (type === COMMAND.FLUSH) disk.flush();
  else return null;
  return Buffer.alloc(0);
}

async function transmit(socket, intake, disk) {
  for (let head; (head = await intake.take(28)) && head.readUInt32BE(0) === REQUEST;) {
    const request = { flags: head.readUInt16BE(4), type: head.readUInt16BE(6),
      offset: Number(head.readBigUInt64BE(16)), length: head.readUInt32BE(24) };
    if (request.type === COMMAND.DISCONNECT) break;
    const reply = Buffer.alloc(16);
    reply.writeUInt32BE(REPLY, 0);
    head.copy(reply, 8, 8, 16);
    const data = request.type === COMMAND.WRITE ? await intake.take(request.length) : null;
    if (request.type === COMMAND.WRITE && data === null) break; // the cut came in the middle
    const out = perform(disk, request, data);
    if (out === null) reply.writeUInt32BE(EINVAL, 4);
    socket.write(out === null || out.length === 0 ? reply : Buffer.concat([reply, out]));
  }
  socket.end();
}

// Serves until closed. settled() resolves once nobody is connected: what the machine had sent is then on the disk.
export async function serve(disk, path) {
  const talks = new Set();
  const server = createServer((socket) => {
    const intake = new Intake(socket);
    const talk = negotiate(socket, intake, disk.size)
      .then((go) => (go ? transmit(socket, intake, disk) : socket.end()))
      .catch((error) => { console.error(error); process.exit(1); })
      .finally(() => talks.delete(talk));
    talks.add(talk);
  });
  await new Promise((ready) => { server.listen(path, ready); });
  return { settled: () => Promise.all([...talks]),
    close: () => new Promise((done) => { server.close(done); }) };
}
