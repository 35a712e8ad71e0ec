// The emulated machine: power on, power off. Its disk is served to it; its network leads to the test alone.
import { closeSync, openSync } from 'node:fs';
import { spawn } from 'node:child_process';
import { join } from 'node:path';
import { freePort } from '../whole/support/broker.mjs';
import { mailServer } from './site.mjs';
import { serve } from './nbd.mjs';

const MEMORY_MIB = 384;

// doors: local sockets of the test's clock and mail server; append: more words for the kernel.
export async function powerOn(folder, kernel, disk, { doors, append = '' }) {
  const path = join(folder, 'disk.sock');
  const served = await serve(disk, path);
  const ports = { feed: await freePort(), air: await freePort() };
  const forward = (address, door) => `guestfwd=tcp:${address}-cmd:socat - UNIX-CONNECT:${door}`;
  const args = ['-machine', 'q35', '-accel', 'tcg,thread=multi', '-cpu', 'max', '-smp', '2', '-m', `${MEMORY_MIB}`,
    '-nodefaults', '-no-user-config', '-no-reboot', '-display', 'none', '-serial', 'stdio', '-kernel', kernel,
    '-append', `root=/dev/nvme0n1 rw console=ttyS0 panic=-1 net.ifnames=0 quiet ` +
      `systemd.journald.forward_to_console=1 ${append}`,
    '-blockdev', `driver=nbd,node-name=disk,server.type=unix,server.path=${path}`,
    '-device', 'nvme,drive=disk,serial=1',
    '-netdev', `user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:${ports.feed}-10.0.2.15:1884,` +
      `hostfwd=tcp:127.0.0.1:${ports.air}-10.0.2.15:1885,${forward('10.0.2.100:7000', doors.clock)},` +
      forward(`${mailServer}:25`, doors.mail),
    '-device', 'virtio-net-pci,netdev=net,romfile='];
  const console = openSync(join(folder, 'console.log'), 'w');
  const child = spawn('qemu-system-x86_64', args, { stdio: ['ignore', console, console] });
  closeSync(console);
  const machine = { ports, on: true, begun: Date.now() };
  const ended = new Promise((done) => {
    child.on('error', (error) => { machine.trouble = String(error); done(); });
    child.on('close', () => { machine.on = false; done(); });
  });
  const orphan = () => child.kill('SIGKILL'); // a test that fails leaves nothing behind
  process.on('exit', orphan);
  // The plug. What the machine had already sent to its disk arrives there; then the disk loses its power too.
  machine.off = async () => {
    machine.on = false;
    child.kill('SIGKILL');
    await ended;
    process.off('exit', orphan);
    await served.settled();
    await served.close();
  };
  return machine;
}
