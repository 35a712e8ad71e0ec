// The clock of a rehearsal: daemons that follow it are told the time and answer when they have done what
// was due, so that a test waits for no minute.
import { createServer } from 'node:net';
import { join } from 'node:path';
import { until } from './broker.mjs';

// All daemons that follow are told the same; start in ms since 1970.
export async function startWorld(folder, start) {
  const path = join(folder, 'clock');
  const followers = new Set();
  const world = { path, now: start };
  const server = createServer((socket) => {
    const follower = { socket, done: 0, text: '' };
    followers.add(follower);
    socket.on('data', (data) => {
      follower.text += data;
      const lines = follower.text.split('\n');
      follower.text = lines.pop();
      for (const line of lines) follower.done = Number(line.replace('done ', ''));
    });
    const leave = () => followers.delete(follower);
    socket.on('close', leave).on('error', leave);
  });
  await new Promise((ready) => { server.listen(path, ready); });
  world.followed = (count) => until(`${count} daemons to follow the clock`, () =>
    followers.size >= count);
  world.left = (count) => until(`all but ${count} daemons to leave the clock`, () =>
    followers.size <= count);
  world.step = async (ms) => {
    world.now += ms;
    const us = world.now * 1000;
    const told = [...followers];
    for (const { socket } of told) socket.write(`now ${us}\n`);
    await until('the step to be done', () =>
      told.every((f) => f.done >= us || !followers.has(f)));
  };
  world.close = () => {
    for (const { socket } of followers) socket.destroy();
    return new Promise((closed) => { server.close(closed); });
  };
  return world;
}
