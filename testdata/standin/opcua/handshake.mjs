// The controller's side of the recipe handshake.
//
// Written from the text of the handshake alone, as a peer of the gateway that
// shares nothing with it but the text. One call of scan is one scan. It knows no
// sockets and no clock. Nothing here is a safety function and nothing here
// drives a machine.

export const ring = 64;
export const lengths = { Request: 96, Outcome: 40, Limits: 80, Heartbeat: 10, Hello: 10, Payload: 80, Commit: 14, Ack: 10 };
export const gatewayBlocks = ["Heartbeat", "Hello", "Payload", "Commit", "Ack"];
const types = {
  Request: 0x5251,
  Outcome: 0x4f55,
  Limits: 0x4c49,
  Heartbeat: 0x4842,
  Hello: 0x4845,
  Payload: 0x5041,
  Commit: 0x434d,
  Ack: 0x414b,
};
const layout = 2;

export const phases = { empty: 0, await: 1, run: 2, held: 3, manual: 4, fault: 5 };
const verdicts = { accepted: 1, rejected: 2, held: 3 };
const outcomes = { wrapped: 1, wrapped_by_hand: 2, removed: 3, aborted: 4, unknown_after_memory_loss: 5 };

const commitTTL = 200; // ticks of 10 ms
const heartbeatLoss = 250;
const publication = 10;
export const goneTime = 50;
export const permissives = 0x3f;
const greatestEpoch = 4_000_000_000;
const epochStep = 2 ** 20;
const ceiling = 2000; // 0.1 °C, whatever limit is entered
const buildYear = 6 * 365 * 86400; // seconds from 2020-01-01 to the year of this program

// The groups of setpoints, by bit. A field without one is always compared.
const group = { stand: 0, wrap: 1, crimp: 2, glue: 3, header: 4, weigh: 5, centre: 6, drives: 7 };

// The limits of this machine, by payload register: least, greatest, group. Any
// other field has no limit of its own.
const own = new Map([
  [33, [1, 6, group.stand]],
  [34, [2000, 40000, group.stand]],
  [35, [5000, 700000, group.wrap]],
  [39, [100, 1200, group.wrap]],
  [41, [50, 2000, group.wrap]],
  [45, [50, 15000, group.crimp]],
  [53, [0, 2000, group.header]],
  [54, [0, 9000, group.header]],
  [55, [0, 2500, null]],
  [56, [0, 2500, null]],
  [57, [0, 0xff, group.wrap]],
  [58, [0, 2000, group.glue]],
  [59, [0, 2000, group.header]],
  [66, [0, 0xff, null]],
  [67, [0, 2000, group.header]],
]);
const wide = [35, 37, 60, 62]; // fields of two registers
const bits = [57, 66];
const signed = 65;
const fields = Array.from({ length: 35 }, (_, n) => 33 + n).filter((n) => !wide.includes(n - 1));

const table = Uint32Array.from({ length: 256 }, (_, n) => {
  for (let bit = 0; bit < 8; bit++) n = n & 1 ? 0xedb88320 ^ (n >>> 1) : n >>> 1;
  return n;
});

// crc is CRC-32 over words as big-endian bytes.
export function crc(words) {
  let c = 0xffffffff;
  for (const w of words) {
    c = table[(c ^ (w >>> 8)) & 0xff] ^ (c >>> 8);
    c = table[(c ^ w) & 0xff] ^ (c >>> 8);
  }
  return (c ^ 0xffffffff) >>> 0;
}

export const two = (words, at) => words[at] * 65536 + words[at + 1];
export const put = (words, at, value) => {
  words[at] = Math.floor(value / 65536);
  words[at + 1] = value % 65536;
};
export const seal = (words) => {
  put(words, words.length - 2, crc(words.subarray(0, -2)));
  return words;
};
export const whole = (words, name) => words[0] === types[name] && crc(words.subarray(0, -2)) === two(words, words.length - 2);
const age = (now, then) => (now - then + 2 ** 32) % 2 ** 32;
export const same = (a, b) => a.length === b.length && a.every((w, i) => w === b[i]);
const sessionIn = (words) => [two(words, 2), two(words, 4)];
const none = [0, 0];
const noResult = () => ({ req: 0, session: none, offer: 0, verdict: 0, reason: 0, crc: 0 });

// tagWords is the eight words of a tag of any sixteen bytes.
export const tagWords = (tag) => Uint16Array.from({ length: 8 }, (_, i) => (tag[2 * i] ?? 0) * 256 + (tag[2 * i + 1] ?? 0));

// narrow is the switch of that name.
export const narrow = () => own.set(53, [0, 1800, group.header]);

function limitsOf(field) {
  if (own.has(field)) return own.get(field);
  if (field === signed) return [-0x8000, 0x7fff, group.centre];
  return [0, wide.includes(field) ? 0xffffffff : 0xffff, null];
}

function setpoint(p, field) {
  if (wide.includes(field)) return two(p, field);
  return field === signed && p[field] > 0x7fff ? p[field] - 0x10000 : p[field];
}

export function limitsBlock(generation) {
  const w = new Uint16Array(lengths.Limits);
  w.set([types.Limits, layout, generation]);
  for (const field of fields)
    for (const [base, value] of [
      [4, limitsOf(field)[0]],
      [39, limitsOf(field)[1]],
    ]) {
      const at = base + field - 33;
      if (wide.includes(field)) put(w, at, value);
      else w[at] = value & 0xffff;
    }
  return seal(w);
}

// outside is the first payload register of check 8 that is wrong, or null.
function outside(p) {
  const header = (p[66] >> group.header) & 1;
  const heated = p[53] > 0;
  for (const field of fields) {
    const [least, greatest, of] = limitsOf(field);
    if (of !== null && !((p[66] >> of) & 1)) continue;
    const value = setpoint(p, field);
    if (value < least || value > greatest || (bits.includes(field) && value & ~greatest)) return field;
    if ([53, 59, 67].includes(field) && value > ceiling) return field;
    if (header && [59, 67].includes(field) && heated !== value > 0) return field;
    if (header && field === 67 && value < p[59]) return field;
  }
  return null;
}

// Image is the live area. Each block is taken or given whole. An outcome that
// was never written is null.
export class Image {
  constructor() {
    this.request = new Uint16Array(lengths.Request);
    this.limits = null; // or the block, where it is published
    this.clear();
  }

  clear() {
    this.outcomes = Array.from({ length: ring }, () => null);
    this.area = Object.fromEntries(gatewayBlocks.map((name) => [name, new Uint16Array(lengths[name])]));
  }

  copy() {
    return Object.fromEntries(gatewayBlocks.map((name) => [name, this.area[name].slice()]));
  }
}

// Inputs is what the program sees of the machine and its operator in one scan.
export class Inputs {
  present = false;
  start = false;
  permissives = permissives;
  cooler = 1767;
  hotter = 1771;
  roll = null; // tag, diameter, width, grade, core
  wrap = 15; // ticks with the outputs on until the roll is wrapped
  clock = buildYear + 86400;
}

// Controller is sections 5 to 7 of the handshake.
export class Controller {
  constructor(image, shown = (_, words) => words, limits = true) {
    this.image = image;
    this.shown = shown; // the last that touches a publication
    if (limits) image.limits = limitsBlock(1);
    this.boot = 1;
    this.rollNo = this.reqId = this.floor = 0;
    this.phase = "empty";
    this.produced = this.acked = this.stale = 0;
    this.still = this.lost = this.clockStands = this.asked = false;
    this.result = noResult();
    this.gen = 0;
    this.published = null;
    this.powerUp();
  }

  // powerUp sets what is volatile.
  powerUp() {
    this.active = none;
    this.lastOffer = 0;
    this.commitSeen = new Uint16Array(lengths.Commit);
    this.beat = { count: null, tick: 0 };
    this.alive = this.outputs = this.wasOff = false;
    this.startBefore = true;
    this.work = { of: "", since: 0, pressWaits: false, closed: false };
    this.goneSince = null;
  }

  // scan is one scan at a tick; act is what the operator or the machine
  // reports, a word, or null.
  scan(tick, inputs, act) {
    this.events = [];
    if (act === "restart") this.restart(tick, inputs);
    if (act === "lose") this.lose(tick, inputs);
    const area = this.image.copy();
    this.hello(area.Hello);
    this.ack(area.Ack);
    this.commit(tick, area.Commit, area.Payload, inputs);
    this.heartbeat(tick, area.Heartbeat);
    this.presence(tick, inputs);
    this.line(tick, inputs, act);
    this.drive(tick, inputs);
    this.publish(tick, inputs);
    return this.events;
  }

  ours(words) {
    return !same(this.active, none) && same(sessionIn(words), this.active);
  }

  hello(w) {
    if (!whole(w, "Hello") || w[1] !== layout || two(w, 6) !== this.boot || this.lost || this.clockStands) return;
    const session = sessionIn(w);
    const epoch = session[0];
    if (same(session, this.active) || epoch <= this.floor || epoch > greatestEpoch) return;
    if (this.floor !== 0 && epoch - this.floor > epochStep) return;
    this.floor = epoch;
    this.active = session;
    this.lastOffer = 0;
    this.beat.count = null;
    this.alive = false;
    this.events.push({ kind: "adopted" });
  }

  ack(w) {
    if (!whole(w, "Ack") || !this.ours(w)) return;
    const index = two(w, 6);
    if (index > this.acked && index <= this.produced) this.acked = index;
  }

  commit(tick, w, payload, inputs) {
    const changed = !same(w, this.commitSeen);
    this.commitSeen = w;
    const ours = whole(w, "Commit") && this.ours(w);
    if (ours && w[1] !== 0 && w[1] === this.lastOffer) return;
    if (ours && w[1] > this.lastOffer && this.phase === "await" && two(w, 6) === this.reqId) this.judge(tick, w, payload, inputs);
    else if (changed) this.stale++;
  }

  judge(tick, w, p, inputs) {
    const [verdict, reason] = this.verdict(tick, w, p, inputs);
    this.lastOffer = w[1];
    this.result = { req: this.reqId, session: this.active, offer: w[1], verdict: verdicts[verdict], reason, crc: two(p, 78) };
    if (verdict === "accepted") Object.assign(this, { phase: "run", payload: p, started: tick });
    if (verdict === "held") this.phase = "held";
    this.events.push({ kind: "judged", verdict, reason, roll: this.rollNo, session: this.active, offer: w[1], payload: p });
  }

  verdict(tick, w, p, inputs) {
    if (!whole(p, "Payload") || p[1] !== layout || two(p, 78) !== two(w, 8) || (p[13] !== 1 && p[13] !== 2)) return ["rejected", 10];
    if (!same(sessionIn(p), this.active) || two(p, 6) !== this.boot || two(p, 8) !== this.reqId || two(p, 10) !== this.rollNo || p[12] !== w[1])
      return ["rejected", 11];
    if (!same(p.subarray(21, 29), tagWords(this.roll.tag)) || two(p, 29) !== this.roll.diameter || two(p, 31) !== this.roll.width)
      return ["rejected", 12];
    if (age(tick, two(w, 10)) > commitTTL) return ["rejected", 13];
    if (!this.alive) return ["rejected", 14];
    if (p[13] === 2) return ["held", 0];
    for (let bit = 0; bit < 6; bit++) if (!((inputs.permissives >> bit) & 1)) return ["rejected", 20 + bit];
    const field = outside(p);
    return field === null ? ["accepted", 0] : ["rejected", 60 + field - 33];
  }

  heartbeat(tick, w) {
    if (whole(w, "Heartbeat") && this.ours(w) && w[1] !== this.beat.count) this.beat = { count: w[1], tick };
    this.alive = this.beat.count !== null && age(tick, this.beat.tick) <= heartbeatLoss;
  }

  full() {
    return this.produced - this.acked >= ring;
  }

  presence(tick, inputs) {
    if (inputs.present) {
      this.goneSince = null;
      return;
    }
    this.wasOff = true;
    this.goneSince ??= tick;
    if (age(tick, this.goneSince) < goneTime) return;
    this.still = false;
    if (["await", "held", "manual"].includes(this.phase)) this.outcome(tick, "removed");
    else if (this.phase === "run") this.asked = true;
  }

  line(tick, inputs, act) {
    switch (this.phase) {
      case "fault":
        if (act !== "acknowledge" || this.clockStands) return;
        this.lost = this.asked = false;
        this.phase = "empty";
        return;
      case "empty":
        if (!inputs.present || this.full() || !(act === "confirm" || (this.wasOff && !this.still))) return;
        this.rollNo++;
        this.still = false;
        this.request(tick, inputs);
        this.events.push({ kind: "entered", roll: this.rollNo });
        return;
      case "await":
        if (act === "measure") this.request(tick, inputs);
        if (act === "manual") this.phase = "manual";
        return;
      case "held":
        if (act === "retry") this.request(tick, inputs);
        if (act === "manual") this.phase = "manual";
        return;
      case "manual":
        if (act === "auto" && inputs.present) this.request(tick, inputs);
        return;
      case "run":
        if (act === "abort") {
          this.still = true;
          this.outcome(tick, "aborted");
        } else if (this.asked && act === "gone") this.outcome(tick, "aborted");
        else if (this.asked && act === "same" && inputs.present) this.asked = false;
    }
  }

  request(tick, inputs) {
    this.reqId++;
    this.phase = "await";
    this.roll = { ...inputs.roll, measured: tick };
  }

  outcome(tick, kind) {
    this.produced++;
    const w = new Uint16Array(lengths.Outcome);
    w[0] = types.Outcome;
    w[1] = layout;
    put(w, 2, this.produced);
    put(w, 4, this.rollNo);
    put(w, 6, this.boot);
    put(w, 8, this.reqId);
    w[15] = outcomes[kind];
    put(w, 32, tick);
    put(w, 34, tick);
    if (kind === "wrapped" || kind === "aborted") {
      const p = this.payload;
      w.set(p.subarray(6, 10), 6); // the token that was accepted
      w.set(p.subarray(2, 6), 10);
      w[14] = p[12];
      put(w, 17, two(p, 78));
      put(w, 32, this.started);
      if (kind === "wrapped") {
        w.set([p[33], p[35], p[36], p[39], p[45], p[53], p[54], p[56], p[40]], 19);
        w.set(p.subarray(60, 62), 28); // weighed as expected
        w.set(p.subarray(35, 37), 30);
        w.set([1240, 4000], 36); // overhang; the gauge of the press
      }
    }
    this.image.outcomes[this.produced % ring] = seal(w);
    this.phase = "empty";
    this.asked = this.outputs = this.wasOff = false;
    this.events.push({ kind: "outcome", outcome: kind, words: w });
  }

  // drive is the outputs. They come on by a press of start alone, and the work
  // goes on while they are on.
  drive(tick, inputs) {
    const pressed = inputs.start && !this.startBefore;
    this.startBefore = inputs.start;
    const may = inputs.permissives === permissives && inputs.present && ["run", "manual"].includes(this.phase) && !this.asked;
    this.outputs = may && (this.outputs || pressed);
    const of = `${this.phase} ${this.rollNo}`;
    if (this.work.of !== of) this.work = { of, since: tick, pressWaits: false, closed: false };
    if (!this.outputs || (this.phase === "run" && !this.work.closed && !this.close(inputs, pressed))) {
      this.work.since = tick; // the work begins again: nothing here is a machine
      return;
    }
    if (age(tick, this.work.since) >= inputs.wrap) this.outcome(tick, this.phase === "run" ? "wrapped" : "wrapped_by_hand");
  }

  // close tells whether the press is closed: only between the two temperatures,
  // and where it waited, only by a new press of start.
  close(inputs, pressed) {
    const p = this.payload;
    if ((p[66] >> group.header) & 1 && p[53] > 0) {
      const { cooler, hotter } = inputs;
      if (!(cooler > 0 && hotter > 0 && p[59] <= cooler && hotter <= p[67])) {
        this.work.pressWaits = true;
        return false;
      }
      if (this.work.pressWaits && !pressed) return false;
    }
    this.work.closed = true;
    this.work.pressWaits = false;
    return true;
  }

  restart(tick, inputs) {
    this.boot = (this.boot + 1) % 2 ** 32 || 1;
    this.powerUp();
    if (this.phase === "await" && inputs.present) this.request(tick, inputs);
    if (this.phase === "run") this.asked = true;
    if (this.phase === "empty") this.wasOff = !inputs.present;
  }

  // lose is the loss of retained memory, or its being cleared by the procedure.
  lose(tick, inputs) {
    this.powerUp();
    this.image.clear();
    this.boot = inputs.clock || 1;
    this.clockStands = inputs.clock < buildYear;
    this.rollNo = this.reqId = this.floor = this.produced = this.acked = 0;
    this.result = noResult();
    this.still = false;
    this.events.push({ kind: "lost" });
    if (inputs.present) {
      this.rollNo = 1;
      this.outcome(tick, "unknown_after_memory_loss");
    }
    this.lost = this.asked = true;
    this.phase = "fault";
  }

  flags(inputs) {
    return [
      inputs.permissives === permissives,
      this.lost,
      this.phase === "manual",
      this.full(),
      this.alive,
      this.measured(),
      this.asked,
      this.image.limits !== null,
    ].reduce((sum, on, bit) => sum | (on << bit), 0);
  }

  measured() {
    return this.phase !== "empty" && this.phase !== "fault";
  }

  publish(tick, inputs) {
    const state = JSON.stringify([
      this.boot,
      this.phase,
      this.rollNo,
      this.reqId,
      this.active,
      this.lastOffer,
      this.produced,
      this.acked,
      this.flags(inputs),
      this.result,
    ]);
    if (this.published && this.published.state === state && age(tick, this.published.tick) < publication) return;
    this.published = { state, tick };
    this.gen = (this.gen + 1) % 65536;
    this.image.request = seal(this.shown(this, this.view(tick, inputs)));
  }

  view(tick, inputs) {
    const w = new Uint16Array(lengths.Request);
    w.set([types.Request, layout, this.gen]);
    w[93] = this.gen;
    for (const [at, value] of [
      [3, this.boot],
      [5, tick],
      [7, this.active[0]],
      [9, this.active[1]],
      [11, this.floor],
      [16, inputs.permissives],
      [18, this.rollNo],
      [20, this.reqId],
      [40, this.result.req],
      [42, this.result.session[0]],
      [44, this.result.session[1]],
      [49, this.result.crc],
      [51, this.produced],
      [53, this.acked],
      [55, this.stale],
    ])
      put(w, at, value);
    w.set([this.lastOffer, phases[this.phase], this.flags(inputs)], 13);
    w.set([this.result.offer, this.result.verdict, this.result.reason], 46);
    if (this.measured()) {
      const r = this.roll;
      w.set(tagWords(r.tag), 22);
      put(w, 30, r.diameter);
      put(w, 32, r.width);
      w.set([r.grade, r.core, 95, Math.min(age(tick, r.measured), 65535)], 36);
      w.set([4, 3, r.diameter, r.diameter, r.diameter, r.diameter], 61);
      w.set([r.width, r.width, r.width], 75);
    }
    w[59] = 1;
    w[60] = { empty: 4, await: 5, run: 6, held: 11, manual: 6, fault: 9 }[this.phase];
    w.set([0x3f, 1000, 1000, 1000, 1000, 1000, 1000, 0, inputs.cooler, inputs.hotter], 83);
    return w;
  }
}
