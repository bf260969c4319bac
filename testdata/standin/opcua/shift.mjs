// A line of rolls and its people around the stand-in controller, and the ledger
// of what the controller did. Time is in ticks of 10 ms.
import { Inputs, goneTime, permissives, same, two } from "./handshake.mjs";
import { dice, plan, strange, tagOf } from "./switches.mjs";

// rolls is a shift of made-up rolls, the same each time. Every thirteenth has
// a width that no wrapper of the demonstration fits.
function rolls(count, switches) {
  const widths = [24.0, 32.5, 40.25, 50.5, 62.0, 76.0]; // inches
  const roll = dice(11);
  return Array.from({ length: count }, (_, n) => {
    const plain = Uint8Array.from(Buffer.from(`SI-${String(n + 1).padStart(5, "0")}`, "ascii"));
    return {
      tag: switches.tags ? tagOf(n, plain, roll) : plain,
      diameter: (26 + ((n * 7) % 28)) * 254,
      width: Math.round((n % 13 === 12 ? 45.0 : widths[(n * 5) % 6]) * 254),
      grade: 1 + (n % 3),
      core: 1 + (n % 2),
      plan: plan(n, count, switches, roll),
      wrap: n % 2 && (switches.lag || switches["lag-phase"]) ? 150 : 15, // a lag is seen where the run is longer than it
    };
  });
}

const arrive = 5;
const heldFor = 40;
const rest = 60;
const answer = 10;
const look = 60;
const faultFor = 200; // a fault stands for some seconds, that nobody misses it

// microseconds are those since 1970, by the clock that a journal beside it has. Date has
// only whole milliseconds of it, and performance goes on from what it was when this process
// began, also where it is set meanwhile: within the millisecond of Date it tells the rest.
function microseconds() {
  const ms = Date.now();
  const fine = performance.timeOrigin + performance.now();
  return Math.floor(Math.min(Math.max(fine, ms), ms + 0.999) * 1000);
}

// Shift: a roll arrives, is wrapped or held; a held roll is taken away after a
// while; one that nobody offers anything for is wrapped by hand.
export class Shift {
  constructor(program, count, switches) {
    this.program = program;
    this.count = count;
    this.coming = rolls(count, switches);
    this.patience = switches["roll-back"] ? 400 : 1500;
    this.inputs = new Inputs();
    this.lying = null; // the roll at the station
    this.entered = this.heldStart = this.again = false;
    this.steps = [];
    this.since = 0;
    this.phase = "empty";
    if (switches.floor) program.floor = 0xffffffff;
    this.acceptedRolls = new Set();
    this.acceptedOffers = new Set();
    this.judged = [];
    this.outcomes = [];
    this.history = [];
    this.known = { boot: 0, roll: 0, req: 0, active: [0, 0], acked: 0 };
    this.violations = [];
    this.sessions = this.lives = 0;
  }

  done() {
    const p = this.program;
    return this.coming.length === 0 && this.lying === null && p.phase === "empty" && p.acked === p.produced;
  }

  // end: no more rolls come.
  end() {
    this.coming = [];
    this.count = 0;
  }

  step(tick) {
    const act = this.act(tick);
    const i = this.inputs;
    i.present = this.lying !== null;
    i.roll = this.lying;
    i.wrap = this.lying?.wrap ?? 15;
    const before = { outputs: this.program.outputs, start: i.start };
    this.press();
    const events = [...this.program.scan(tick, i, act)];
    this.tell(events);
    for (const e of events) this.see[e.kind].call(this, e);
    this.watch(before);
    if (this.program.phase !== this.phase) {
      this.phase = this.program.phase;
      this.since = tick;
    }
  }

  // tell writes down what this scan did, in the order in which a scan does it and
  // with the time of the clock, for testdata/history.
  tell(events) {
    const p = this.program;
    const known = this.known;
    const at = microseconds();
    const note = (what, more) => this.history.push({ at, what, boot: p.boot, ...more });
    if (p.boot !== known.boot) {
      const lost = events.some((e) => e.kind === "lost");
      note(lost ? "memory-lost" : "boot");
      if (lost) Object.assign(known, { roll: 0, req: 0, acked: 0 });
      Object.assign(known, { boot: p.boot, active: [0, 0] });
    }
    if (!same(p.active, [0, 0]) && !same(p.active, known.active)) note("adopted", { epoch: p.active[0], nonce: p.active[1] });
    if (p.acked > known.acked) note("acknowledged", { out_idx: p.acked });
    for (const e of events) {
      if (e.kind === "judged") {
        const verdict = { accepted: 1, rejected: 2, held: 3 }[e.verdict];
        note("judged", { verdict, roll_no: e.roll, req_id: known.req, epoch: e.session[0], nonce: e.session[1], offer: e.offer });
      } else if (e.kind === "outcome") {
        const [out_idx, roll_no, epoch, nonce] = [2, 4, 10, 12].map((n) => two(e.words, n));
        note("left", { roll_no, outcome: e.words[15], out_idx, epoch, nonce, offer: e.words[14] });
        known.roll = roll_no;
      }
    }
    if (p.rollNo > known.roll) note("entered", { roll_no: p.rollNo });
    if (p.reqId > known.req) note("requested", { roll_no: p.rollNo, req_id: p.reqId });
    Object.assign(known, { roll: p.rollNo, req: p.reqId, active: p.active, acked: p.acked });
  }

  // press: start is pressed, and let go, until the outputs are on.
  press() {
    const p = this.program;
    const wanted = ["run", "manual"].includes(p.phase) && !(p.outputs && !p.work.pressWaits);
    this.inputs.start = this.heldStart || (wanted && !this.inputs.start);
  }

  watch(before) {
    const p = this.program;
    const i = this.inputs;
    if (p.outputs && !before.outputs && (before.start || !i.start)) this.violations.push(`roll ${p.rollNo}: outputs came on without a press of start`);
    if (p.outputs && (i.permissives !== permissives || !i.present || !["run", "manual"].includes(p.phase)))
      this.violations.push(`roll ${p.rollNo}: outputs on in phase ${p.phase}`);
  }

  act(tick) {
    const p = this.program;
    const waited = tick - this.since;
    if (this.steps.length > 0 && this.steps[0][0] === p.phase && waited >= this.steps[0][1]) return this.do(this.steps.shift()[2]);
    switch (p.phase) {
      case "empty":
        return this.between(waited);
      case "fault":
        return waited >= faultFor ? "acknowledge" : null;
      case "run":
        if (p.asked && waited >= answer + goneTime) return this.lying ? "same" : "gone";
        return null;
      case "held":
        if (waited >= heldFor) this.lying = null;
        return null;
      case "await": {
        const gone = p.floor === 0xffffffff;
        if (waited >= (gone ? 100 : this.patience) && (gone || !same(p.active, [0, 0]))) {
          this.steps = [];
          this.ready();
          return "manual";
        }
      }
    }
    return null;
  }

  between(waited) {
    if (this.lying && this.entered) {
      if (this.again) return "confirm";
      if (waited >= (this.program.still ? rest : 0)) {
        this.lying = null;
        this.entered = false;
      }
    } else if (this.lying) return waited >= look ? "confirm" : null;
    else if (waited >= arrive && this.coming.length > 0) {
      this.lying = this.coming.shift();
      this.entered = false;
    }
    return null;
  }

  do(step) {
    const i = this.inputs;
    switch (step) {
      case "take":
        this.taken = this.lying;
        this.lying = null;
        return null;
      case "put":
        this.lying = this.taken;
        return null;
      case "permissive-on":
      case "permissive-off":
        i.permissives = step === "permissive-on" ? permissives : permissives & ~2;
        return null;
      case "cold":
      case "warm":
        i.cooler = step === "warm" ? 1767 : 1200;
        return null;
      case "hold-start":
      case "let-go":
        this.heldStart = step === "hold-start";
        return null;
      case "roll-back":
        this.program.rollNo -= Math.min(9, this.program.rollNo - 1);
        return null;
    }
    return step;
  }

  // see is what is done at each event of the program.
  see = {
    adopted() {
      this.sessions++;
    },
    entered() {
      if (!this.again) this.steps = [...this.lying.plan];
      this.entered = true;
      this.again = false;
      this.ready();
    },
    lost() {
      this.lives++;
      this.again = this.lying !== null; // it is to enter again
      this.acceptedRolls = new Set();
    },
    judged(e) {
      const name = [...e.session, e.offer].join("/");
      const tag = this.lying?.tag;
      this.judged.push({
        epoch: e.session[0],
        nonce: e.session[1],
        offer: e.offer,
        roll: e.roll,
        reason: e.reason,
        verdict: e.verdict,
        hold: e.payload[14],
        crc: two(e.payload, 78),
        strange: tag ? strange(tag) : null,
      });
      if (e.verdict !== "accepted") return;
      if (tag && strange(tag)) this.violations.push(`roll ${e.roll}: a recipe for a tag of strange bytes`);
      if (this.acceptedRolls.has(e.roll)) this.violations.push(`roll ${e.roll} accepted twice`);
      if (this.acceptedOffers.has(name)) this.violations.push(`offer ${name} accepted twice`);
      this.acceptedRolls.add(e.roll);
      this.acceptedOffers.add(name);
    },
    outcome({ outcome, words }) {
      const [out_idx, roll_no, boot_id, req_id, epoch, nonce] = [2, 4, 6, 8, 10, 12].map((at) => two(words, at));
      this.outcomes.push({ out_idx, roll_no, boot_id, req_id, epoch, nonce, offer: words[14], payload_crc: two(words, 17), life: this.lives, outcome });
      if (outcome === "wrapped" && !this.acceptedRolls.has(roll_no)) this.violations.push(`roll ${roll_no} wrapped without a recipe`);
    },
  };

  // ready: the machine is as it is to be, and nobody presses start.
  ready() {
    this.inputs.permissives = permissives;
    this.inputs.cooler = 1767;
    this.heldStart = false;
  }

  report() {
    const p = this.program;
    if (this.done() && this.outcomes.length < this.count) this.violations.push(`${this.outcomes.length} outcomes of ${this.count} rolls`);
    return {
      rolls: this.outcomes.length,
      sessions: this.sessions,
      stale: p.stale,
      produced: p.produced,
      acknowledged: p.acked,
      lives: this.lives,
      judged: this.judged,
      outcomes: this.outcomes,
      history: this.history,
      violations: this.violations,
      done: this.done(),
    };
  }
}
