// A mail server that keeps what it accepts, on a local socket (RFC 5321, as much as a client needs that sends).
import { createServer } from 'node:net';

export async function startMailbox(path, take) {
  const server = createServer((socket) => {
    let text = '', message = null;
    const say = (line) => socket.write(`${line}\r\n`);
    const command = (line) => {
      const verb = line.slice(0, 4).toUpperCase();
      if (verb === 'DATA') { message = []; say('354 go on'); }
      else if (verb === 'QUIT') { say('221 goodbye'); socket.end(); }
      else say(['EHLO', 'HELO', 'MAIL', 'RCPT', 'RSET', 'NOOP'].includes(verb) ? '250 good' : '502 not known');
    };
    const line = (one) => {
      if (message === null) command(one);
      else if (one !== '.') message.push(one.replace(/^\./, ''));
      else { take(message.join('\n')); message = null; say('250 taken'); }
    };
    socket.on('data', (data) => {
      const lines = (text + data).split('\r\n');
      text = lines.pop();
      lines.forEach(line);
    });
    socket.on('error', () => {});
    say('220 test');
  });
  await new Promise((ready) => { server.listen(path, ready); });
  return { close: () => server.close() };
}

export const identity = (text) => /^message-id:\s*(<[^>]+>)/im.exec(text)?.[1];
