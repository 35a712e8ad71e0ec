// The clock of a rehearsal: daemons that follow it are told the time and answer when they have done what
// was due, so that a test waits for no minute.
import { createServer } from 'node:net';
import { join } from 'node:path';
import { sleep, until } from './broker.mjs';

// All daemons that follow are told the same; start in ms since 1970. settle: ms that each step leaves the broker to pass
// on what the daemons have published in it.
export async function startWorld(folder, start, { settle = 50 } = {}) {
  const path = join(folder, 'clock');
  const followers = new Set();
  let wake = () => {};
  const world = { path, now: start };
  const server = createServer((socket) => {
    const follower = { socket, done: 0, text: '' };
    followers.add(follower);
    socket.on('data', (data) => {
      follower.text += data;
      const lines = follower.text.split('\n');
      follower.text = lines.pop();
      for (const line of lines) follower.done = Number(line.replace('done ', ''));
      wake();
    });
    const leave = () => { followers.delete(follower); wake(); };
    socket.on('close', leave).on('error', leave);
  });
  await new Promise((ready) => { server.listen(path, ready); });
  world.following = () => followers.size;
  world.followed = (count) => until(`${count} daemons to follow the clock`, () =>
    followers.size >= count);
  world.left = (count) => until(`all but ${count} daemons to leave the clock`, () =>
    followers.size <= count);
  // Resolves when everybody told has done what was due by then, or has left.
  world.step = async (ms) => {
    world.now += ms;
    const us = world.now * 1000;
    const told = [...followers];
    for (const { socket } of told) socket.write(`now ${us}\n`);
    const behind = () => told.some((f) => !(f.done >= us) && followers.has(f));
    const end = Date.now() + 60000;
    while (behind()) {
      if (Date.now() > end) throw new Error('waited 60 s for a step to be done');
      await new Promise((moved) => { wake = moved; setTimeout(moved, 1000); });
    }
    await sleep(settle);
  };
  world.close = () => {
    for (const { socket } of followers) socket.destroy();
    return new Promise((closed) => { server.close(closed); });
  };
  return world;
}
