// A site that lives in the machine: stations speak every quarter of an hour of its own time, the broker is listened
// to, mail is taken, and the ledger is kept. It bears that the machine is gone at any moment.
import { join } from 'node:path';
import { Oracle } from '../whole/answers/stations.mjs';
import { connect, sleep } from '../whole/support/broker.mjs';
import { openAir } from '../whole/support/gateway.mjs';
import { startWorld } from '../whole/support/world.mjs';
import { Ledger } from './ledger.mjs';
import { startMailbox } from './mailbox.mjs';
import { makeStations, passwords } from './site.mjs';

const MINUTE = 60000, INTERVAL = 15 * MINUTE, UP_SECONDS = 900;

export class Play {
  constructor(folder, random) { Object.assign(this, { folder, random, slices: 0, quiet: false }); }

  async open(moment) {
    this.stations = makeStations();
    this.oracle = new Oracle(this.stations);
    this.ledger = new Ledger(moment);
    this.doors = { clock: join(this.folder, 'clock'), mail: join(this.folder, 'mail') };
    this.world = await startWorld(this.folder, Date.parse('2026-08-01T15:00:00Z'), { settle: 0 });
    this.mailbox = await startMailbox(this.doors.mail, (text) => this.ledger.letter(text));
  }

  async close() {
    this.mailbox.close();
    await this.world.close();
  }

  // Waits for something while the machine is on; false when it went off.
  static async while(machine, what, look, seconds = UP_SECONDS) {
    for (const end = Date.now() + seconds * 1000; machine.on; await sleep(50)) {
      if (await look()) return true;
      if (Date.now() > end) throw new Error(`waited ${seconds} s for ${what}`);
    }
    return false;
  }

  // A broker that is not up yet takes the connection and does not answer; who answers late is not needed any more.
  async reach(machine) {
    if (machine.client) return true;
    let late = false;
    const trying = connect(machine.ports.feed, { username: 'display', password: passwords.display,
      protocolVersion: 5 }).catch(() => null);
    trying.then((found) => { if (late) found?.end(true); });
    const client = await Promise.race([sleep(8000), trying]);
    late = !client;
    if (!client) return false;
    client.on('error', () => {}).on('close', () => { machine.client = null; });
    client.on('message', (topic, text) => {
      this.ledger.message(topic, text.toString());
      if (topic.includes('/stored/') && machine.heard) machine.working = true;
      if (topic.endsWith('/row')) machine.heard = true;
    });
    machine.client = client;
    await Promise.race([sleep(8000), client.subscribeAsync('edgerow/home/#', { qos: 1 }).catch(() => null)]);
    return machine.client !== null;
  }

  // From power on to power off. machine.working: a row and a mark were heard since.
  async run(machine) {
    while (machine.on) {
      await Play.while(machine, 'the broker', () => this.reach(machine));
      await this.tune(machine);
      if (this.quiet) await sleep(200);
      else await this.slice(machine);
      if (Date.now() - machine.begun > UP_SECONDS * 1000 && !machine.working)
        throw new Error(`${UP_SECONDS} s after power on, nothing is stored`);
    }
    machine.air?.close();
    machine.client?.end(true);
  }

  // Both daemons follow the clock, and the air leads to the gateway.
  async tune(machine) {
    await Play.while(machine, 'both daemons', async () => {
      await this.world.step(1000);
      return this.world.following() >= 2;
    });
    await Play.while(machine, 'the air', async () => {
      if (machine.air?.gone === false) return true;
      machine.air = await openAir(machine.ports.air).catch(() => null);
      machine.read = 0;
      await sleep(100); // long enough to be refused by what is behind the door
      return machine.air?.gone === false;
    });
  }

  // Fifteen minutes: every station reports once. One report in four is confirmed.
  async slice(machine) {
    const begun = this.world.now;
    for (const [i, station] of this.stations.entries()) {
      if (!machine.on) return;
      station.flags = Math.floor(this.slices / 40) % 4 === 1 && i === this.slices % 3 ? 1 : 0; // leans at times
      const frame = station.report(this.random() < 0.25);
      const at = begun + 1000 + i * 9000;
      await this.world.step(at - this.world.now);
      this.oracle.uplink(station, frame, at);
      this.ledger.frame(station, frame.fcnt);
      await machine.air.frame(frame.hex, { at, rssi: -95, snr: 5 });
      this.listen(machine);
    }
    await this.world.step(begun + INTERVAL - this.world.now);
    this.slices++;
    await this.wait(machine);
  }

  // The machine is slower than its clock: until the last frame is stored, if it is within so many seconds.
  async wait(machine, seconds = 3) {
    const { devaddr, fcnt } = this.stations.at(-1), { heard } = this.ledger;
    for (const end = Date.now() + seconds * 1000; machine.on && Date.now() < end; await sleep(20))
      if (heard.has(`${devaddr} ${fcnt - 1}`) && this.ledger.stored >= this.ledger.newest) return true;
    return false;
  }

  listen(machine) {
    const lines = machine.air.answers.slice(machine.read).split('\n');
    machine.read = machine.air.answers.length - lines.pop().length;
    for (const line of lines) {
      const { devaddr, frame } = this.oracle.take('north', line);
      if (frame.confirmed) this.ledger.acknowledge(devaddr, frame.fcnt);
    }
  }

  // Stations go on counting while the machine is off; nobody hears them.
  async pass(intervals) {
    for (const station of this.stations) {
      for (let i = 0; i < intervals; i++) station.report(false);
    }
    this.world.now += intervals * INTERVAL;
  }
}
