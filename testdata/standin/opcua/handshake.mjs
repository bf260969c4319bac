// The controller's side of the recipe handshake, and a line of rolls under it.
//
// Written from configs/controller/handshake.md alone, as a peer of the gateway
// that shares nothing with it but the text. One call of scan is one scan. It
// knows no sockets and no clock. Nothing here is a safety function and nothing
// here drives a machine.

export const ring = 64;
export const lengths = { Request: 96, Outcome: 40, Heartbeat: 10, Hello: 10, Payload: 80, Commit: 14, Ack: 10 };
export const gatewayBlocks = ["Heartbeat", "Hello", "Payload", "Commit", "Ack"];
const types = { Request: 0x5251, Outcome: 0x4f55, Heartbeat: 0x4842, Hello: 0x4845, Payload: 0x5041, Commit: 0x434d, Ack: 0x414b };

const phases = { empty: 0, await: 1, run: 2, held: 3, manual: 4 };
const verdicts = { accepted: 1, rejected: 2, held: 3 };
const outcomes = { wrapped: 1, byHand: 2, removed: 3 };

const commitTTL = 200; // ticks of 10 ms
const heartbeatLoss = 250;
const publication = 10;
const permissives = 0x3f;

// Register, words, least, most, bit of the group, whether zero means none.
const limits = [
  [33, 1, 1, 6, 0, false],
  [34, 1, 2000, 40000, 0, false],
  [35, 2, 5000, 700000, 1, false],
  [39, 1, 100, 1200, 1, false],
  [41, 1, 50, 2000, 1, false],
  [45, 1, 50, 15000, 2, false],
  [53, 1, 400, 2100, 4, false],
  [54, 1, 20, 9000, 4, false],
  [55, 1, 150, 2500, null, true],
  [56, 1, 150, 2500, null, true],
];

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
const put = (words, at, value) => {
  words[at] = Math.floor(value / 65536);
  words[at + 1] = value % 65536;
};
export const seal = (words) => {
  put(words, words.length - 2, crc(words.subarray(0, -2)));
  return words;
};
export const whole = (words, name) => words[0] === types[name] && crc(words.subarray(0, -2)) === two(words, words.length - 2);
const age = (now, then) => (now - then + 2 ** 32) % 2 ** 32;
const same = (a, b) => a.length === b.length && a.every((w, i) => w === b[i]);
const sessionIn = (words) => [two(words, 2), two(words, 4)];
const none = [0, 0];

function tagWords(tag) {
  const bytes = Buffer.alloc(16);
  bytes.write(tag, "ascii");
  return Uint16Array.from({ length: 8 }, (_, i) => bytes.readUInt16BE(2 * i));
}

// Image is the live area. Each block is taken or given whole.
export class Image {
  constructor() {
    this.request = new Uint16Array(lengths.Request);
    this.outcomes = Array.from({ length: ring }, () => new Uint16Array(lengths.Outcome));
    this.area = Object.fromEntries(gatewayBlocks.map((name) => [name, new Uint16Array(lengths[name])]));
  }

  copy() {
    return Object.fromEntries(gatewayBlocks.map((name) => [name, this.area[name].slice()]));
  }
}

// Controller is sections 5 and 6 of the handshake, without loss of power.
export class Controller {
  constructor(image) {
    this.image = image;
    this.boot = 1;
    this.rollNo = this.reqId = this.floor = 0;
    this.active = none;
    this.lastOffer = 0;
    this.result = { req: 0, session: none, offer: 0, verdict: 0, reason: 0, crc: 0 };
    this.phase = "empty";
    this.produced = this.acked = this.stale = 0;
    this.commitSeen = new Uint16Array(lengths.Commit);
    this.beat = { count: null, tick: 0 };
    this.alive = false;
    this.gen = 0;
    this.published = null;
  }

  // scan is one scan at a tick; act is what line and operator do, or null.
  scan(tick, act) {
    this.events = [];
    const area = this.image.copy();
    this.hello(area.Hello);
    this.ack(area.Ack);
    this.commit(tick, area.Commit, area.Payload);
    this.heartbeat(tick, area.Heartbeat);
    this.line(tick, act);
    this.publish(tick);
    return this.events;
  }

  ours(words) {
    return !same(this.active, none) && same(sessionIn(words), this.active);
  }

  hello(w) {
    if (!whole(w, "Hello") || w[1] !== 2 || two(w, 6) !== this.boot) return;
    const session = sessionIn(w);
    if (same(session, this.active) || session[0] <= this.floor) return;
    this.floor = session[0];
    this.active = session;
    this.lastOffer = 0;
    this.beat.count = null;
    this.events.push({ kind: "adopted" });
  }

  ack(w) {
    if (!whole(w, "Ack") || !this.ours(w)) return;
    const index = two(w, 6);
    if (index > this.acked && index <= this.produced) this.acked = index;
  }

  commit(tick, w, payload) {
    const changed = !same(w, this.commitSeen);
    this.commitSeen = w;
    const ours = whole(w, "Commit") && this.ours(w);
    if (ours && w[1] !== 0 && w[1] === this.lastOffer) return;
    if (ours && w[1] > this.lastOffer && this.phase === "await" && two(w, 6) === this.reqId) this.judge(tick, w, payload);
    else if (changed) this.stale++;
  }

  judge(tick, w, p) {
    const [verdict, reason] = this.verdict(tick, w, p);
    this.lastOffer = w[1];
    this.result = { req: this.reqId, session: this.active, offer: w[1], verdict: verdicts[verdict], reason, crc: two(p, 78) };
    if (verdict === "accepted") Object.assign(this, { phase: "run", payload: p, started: tick });
    if (verdict === "held") this.phase = "held";
    this.events.push({ kind: "judged", verdict, reason, roll: this.rollNo, offer: [...this.active, w[1]].join("/") });
  }

  verdict(tick, w, p) {
    if (!whole(p, "Payload") || p[1] !== 2 || two(p, 78) !== two(w, 8) || (p[13] !== 1 && p[13] !== 2)) return ["rejected", 10];
    if (!same(sessionIn(p), this.active) || two(p, 6) !== this.boot || two(p, 8) !== this.reqId || two(p, 10) !== this.rollNo || p[12] !== w[1])
      return ["rejected", 11];
    if (!same(p.subarray(21, 29), tagWords(this.roll.tag)) || two(p, 29) !== this.roll.diameter || two(p, 31) !== this.roll.width)
      return ["rejected", 12];
    if (age(tick, two(w, 10)) > commitTTL) return ["rejected", 13];
    if (!this.alive) return ["rejected", 14];
    if (p[13] === 2) return ["held", 0];
    for (const [reg, words, least, most, group, zero] of limits) {
      if (group !== null && !((p[66] >> group) & 1)) continue;
      const value = words === 2 ? two(p, reg) : p[reg];
      if (zero && value === 0) continue;
      if (value < least || value > most) return ["rejected", 60 + reg - 33];
    }
    return ["accepted", 0];
  }

  heartbeat(tick, w) {
    if (whole(w, "Heartbeat") && this.ours(w) && w[1] !== this.beat.count) this.beat = { count: w[1], tick };
    this.alive = this.beat.count !== null && age(tick, this.beat.tick) <= heartbeatLoss;
  }

  full() {
    return this.produced - this.acked >= ring;
  }

  line(tick, act) {
    if (!act) return;
    const { name, roll } = act;
    if (name === "enter" && this.phase === "empty" && !this.full()) {
      this.rollNo++;
      this.roll = { ...roll, measured: tick };
      this.reqId++;
      this.phase = "await";
      this.events.push({ kind: "entered" });
    } else if (name === "remove" && ["await", "held", "manual"].includes(this.phase)) this.outcome(tick, "removed");
    else if (name === "manual" && ["await", "held"].includes(this.phase)) this.phase = "manual";
    else if (name === "done" && this.phase === "manual") this.outcome(tick, "byHand");
    else if (name === "done" && this.phase === "run") this.outcome(tick, "wrapped");
  }

  outcome(tick, kind) {
    this.produced++;
    const w = new Uint16Array(lengths.Outcome);
    w[0] = types.Outcome;
    w[1] = 2;
    put(w, 2, this.produced);
    put(w, 4, this.rollNo);
    put(w, 6, this.boot);
    put(w, 8, this.reqId);
    w[15] = outcomes[kind];
    put(w, 32, kind === "wrapped" ? this.started : tick);
    put(w, 34, tick);
    if (kind === "wrapped") {
      const p = this.payload;
      w.set(p.subarray(2, 6), 10);
      w[14] = p[12];
      put(w, 17, two(p, 78));
      w.set([p[33], p[35], p[36], p[39], p[45], p[53], p[54], p[56], p[40]], 19);
      w.set(p.subarray(60, 62), 28); // weighed as expected
      w.set(p.subarray(35, 37), 30);
    }
    this.image.outcomes[this.produced % ring] = seal(w);
    this.phase = "empty";
    this.events.push({ kind: "outcome", outcome: kind, roll: this.rollNo });
  }

  publish(tick) {
    const state = JSON.stringify([this.phase, this.reqId, this.active, this.lastOffer, this.produced, this.acked, this.alive, this.result]);
    if (this.published && this.published.state === state && age(tick, this.published.tick) < publication) return;
    this.published = { state, tick };
    this.gen = (this.gen + 1) % 65536;
    const w = new Uint16Array(lengths.Request);
    w[0] = types.Request;
    w[1] = 2;
    w[2] = w[93] = this.gen;
    put(w, 3, this.boot);
    put(w, 5, tick);
    put(w, 7, this.active[0]);
    put(w, 9, this.active[1]);
    put(w, 11, this.floor);
    w[13] = this.lastOffer;
    w[14] = phases[this.phase];
    w[15] = 1 | ((this.phase === "manual") << 2) | (this.full() << 3) | (this.alive << 4) | ((this.phase !== "empty") << 5);
    put(w, 16, permissives);
    put(w, 18, this.rollNo);
    put(w, 20, this.reqId);
    if (this.phase !== "empty") {
      const r = this.roll;
      w.set(tagWords(r.tag), 22);
      put(w, 30, r.diameter);
      put(w, 32, r.width);
      w.set([r.grade, r.core, 95, Math.min(age(tick, r.measured), 65535)], 36);
      w.set([4, 3, r.diameter, r.diameter, r.diameter, r.diameter], 61);
      w.set([r.width, r.width, r.width], 75);
    }
    put(w, 40, this.result.req);
    put(w, 42, this.result.session[0]);
    put(w, 44, this.result.session[1]);
    w.set([this.result.offer, this.result.verdict, this.result.reason], 46);
    put(w, 49, this.result.crc);
    put(w, 51, this.produced);
    put(w, 53, this.acked);
    put(w, 55, this.stale);
    w[59] = 1;
    w[60] = { empty: 4, await: 5, run: 6, held: 11, manual: 6 }[this.phase];
    w.set([0x3f, 1000, 1000, 1000, 1000, 1000, 1000], 83);
    w[91] = 1767;
    w[92] = 1771;
    this.image.request = seal(w);
  }
}

// rolls is a shift of made-up rolls, the same each time. Every thirteenth has
// a width that no wrapper of the demonstration fits.
export function rolls(count) {
  const widths = [24.0, 32.5, 40.25, 50.5, 62.0, 76.0]; // inches
  return Array.from({ length: count }, (_, n) => ({
    tag: `SI-${String(n + 1).padStart(5, "0")}`,
    diameter: (26 + ((n * 7) % 28)) * 254,
    width: Math.round((n % 13 === 12 ? 45.0 : widths[(n * 5) % 6]) * 254),
    grade: 1 + (n % 3),
    core: 1 + (n % 2),
  }));
}

// Shift is a line of rolls and an operator over the program, by ticks of 10 ms.
// A held roll is taken away after a while; one that nobody offers anything for
// is wrapped by hand.
export class Shift {
  static arrive = 5;
  static wrap = 15;
  static heldFor = 40;
  static patience = 1500;
  static byHandFor = 30;

  constructor(program, count) {
    this.program = program;
    this.coming = rolls(count);
    this.count = count;
    this.left = 0;
    this.since = 0;
    this.phase = "empty";
    this.acceptedRolls = new Set();
    this.acceptedOffers = new Set();
    this.summary = { rolls: 0, accepted: 0, held: 0, rejected: 0, wrapped: 0, removed: 0, by_hand: 0, sessions: 0 };
    this.rejections = [];
    this.violations = [];
  }

  done() {
    return this.left === this.count && this.program.acked === this.program.produced;
  }

  act(tick) {
    const waited = tick - this.since;
    switch (this.phase) {
      case "empty":
        return waited >= Shift.arrive && this.coming.length > 0 ? { name: "enter", roll: this.coming[0] } : null;
      case "run":
        return waited >= Shift.wrap ? { name: "done" } : null;
      case "manual":
        return waited >= Shift.byHandFor ? { name: "done" } : null;
      case "held":
        return waited >= Shift.heldFor ? { name: "remove" } : null;
    }
    return waited >= Shift.patience && !same(this.program.active, none) ? { name: "manual" } : null;
  }

  step(tick) {
    for (const e of this.program.scan(tick, this.act(tick))) this.see(e);
    if (this.program.phase !== this.phase) {
      this.phase = this.program.phase;
      this.since = tick;
    }
  }

  see(e) {
    const s = this.summary;
    switch (e.kind) {
      case "adopted":
        s.sessions++;
        break;
      case "entered":
        s.rolls++;
        this.coming.shift();
        break;
      case "judged":
        s[e.verdict]++;
        if (e.verdict === "rejected") this.rejections.push(e.reason);
        if (e.verdict !== "accepted") break;
        if (this.acceptedRolls.has(e.roll)) this.violations.push(`roll ${e.roll} accepted twice`);
        if (this.acceptedOffers.has(e.offer)) this.violations.push(`offer ${e.offer} accepted twice`);
        this.acceptedRolls.add(e.roll);
        this.acceptedOffers.add(e.offer);
        break;
      case "outcome":
        this.left++;
        s[e.outcome === "byHand" ? "by_hand" : e.outcome]++;
        if (e.outcome === "wrapped" && !this.acceptedRolls.has(e.roll)) this.violations.push(`roll ${e.roll} wrapped without a recipe`);
    }
  }

  report() {
    const p = this.program;
    if (p.produced !== this.left) this.violations.push(`${p.produced} outcomes for ${this.left} rolls`);
    return {
      ...this.summary,
      stale: p.stale,
      produced: p.produced,
      acknowledged: p.acked,
      rejections: this.rejections,
      violations: this.violations,
      done: this.done(),
    };
  }
}
