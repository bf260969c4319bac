// The switches of a stand-in controller: what it, its line, its operator and its
// network do that the text of the handshake foresees or a gateway must bear. They
// are those of switches.py beside this folder, which tells each; unwritten is
// bad or waiting here, refuse a name of a status, and strict means that the own
// blocks of the gateway cannot be read.
import { phases, put, same, two } from "./handshake.mjs";

const bare = [
  "verdict-0",
  "floor",
  "tags",
  "roll-once",
  "roll-back",
  "produced-once",
  "taken",
  "abort",
  "restart",
  "memory-loss",
  "operator",
  "no-limits",
  "narrow-limits",
  "strict",
];

// parse is the switches by name.
export function parse(texts) {
  const out = {};
  for (const text of texts) {
    const [name, value] = text.split("=");
    if (["lag", "lag-phase"].includes(name) && value) out[name] = Number(value);
    else if (["unwritten", "refuse"].includes(name) && value) out[name] = value;
    else if (bare.includes(name) && value === undefined) out[name] = true;
    else throw new Error(`--switch ${text}: want one of ${bare.join(", ")}, or lag, lag-phase, unwritten, refuse with a value`);
  }
  return out;
}

// dice is a source of numbers under a bound, the same for each seed.
export function dice(seed) {
  let state = seed >>> 0;
  return (bound) => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return Math.floor((state / 2 ** 32) * bound);
  };
}

// shown is the last that touches a publication before it is sealed.
export function shown(switches) {
  const lag = switches.lag ?? switches["lag-phase"] ?? 0;
  const earlier = [];
  let named = null;
  const falsified = new Set();
  return (program, w) => {
    earlier.push({ last: w[13], result: w.slice(40, 51) });
    if (earlier.length > lag + 1) earlier.shift();
    const late = !same(w.subarray(40, 51), earlier[0].result);
    if (switches["lag-phase"] && late && ["run", "held"].includes(program.phase)) w[14] = phases.await;
    w[13] = earlier[0].last;
    w.set(earlier[0].result, 40);
    const name = w.slice(42, 47);
    if (switches["verdict-0"] && w[46] !== 0 && !(named && same(named, name))) w[47] = 0;
    named = name;
    const moment = `${program.rollNo} ${program.phase}`;
    if (!falsified.has(moment) && program.rollNo % 3 === 1 && program.rollNo > 3 && ["await", "run"].includes(program.phase)) {
      falsified.add(moment);
      if (switches["roll-once"]) put(w, 18, two(w, 18) - 3);
      if (switches["produced-once"]) put(w, 51, two(w, 51) + 70);
    }
    return w;
  };
}

// tagOf is a tag for roll n: every fourth of any bytes, every fourth text with
// leftovers behind its end, the others text.
export function tagOf(n, plain, roll) {
  if (n % 4 === 0) return Uint8Array.from({ length: 16 }, () => roll(256));
  if (n % 4 === 1) return Uint8Array.from({ length: 16 }, (_, i) => (i < plain.length ? plain[i] : i === plain.length ? 0 : roll(256)));
  return plain;
}

// strange tells whether text of these bytes holds a roll: one before its end is
// not 20 to 7E.
export function strange(tag) {
  const end = tag.indexOf(0);
  return tag.subarray(0, end < 0 ? tag.length : end).some((byte) => byte < 0x20 || byte > 0x7e);
}

// plan is what happens to roll n: phase, ticks since it began, and what is done,
// in this order.
export function plan(n, count, switches, roll) {
  const steps = [];
  if (switches.taken)
    steps.push(
      ...[
        [],
        [["await", 0, "permissive-off"], ["await", roll(60), "take"]],
        [["run", 5, "take"]],
        [["await", 2, "take"], ["await", 12, "put"]],
        [["await", roll(26), "take"]],
        [["await", 3, "manual"], ["manual", 1, "take"]],
        [["run", 5, "take"], ["run", 80, "put"]],
        [["run", 5, "take"], ["run", 20, "put"]],
      ][n % 8],
    );
  if (switches.abort && n % 3 === 1) steps.push(["run", roll(12), "abort"]);
  if (switches.restart)
    steps.push(
      ...[
        [["await", roll(26), "restart"]],
        [["run", roll(12), "restart"]],
        n % 6 === 2 ? [["await", 3, "manual"], ["manual", 3, "restart"]] : [["held", 5, "restart"], ["empty", 0, "restart"]],
      ][n % 3],
    );
  if (switches.operator)
    steps.push(
      ...[
        [["await", 0, "permissive-off"], ["await", 80, "permissive-on"]],
        [["await", roll(26), "measure"]],
        [["await", roll(26), "manual"], ["manual", 2, "auto"]],
        [["run", 5, "permissive-off"], ["run", 30, "permissive-on"]],
        [["await", 0, "cold"], ["run", 40, "warm"]],
        [["await", 0, "hold-start"], ["run", 30, "let-go"]],
      ][n % 6],
    );
  if (switches.operator && n % 13 === 12) return [["held", 20, "retry"]];
  if (switches["memory-loss"] && n === Math.floor(count / 2)) return [["run", 5, "lose"]];
  if (switches.floor && n === 3) return [["await", 20, "lose"]];
  if (switches["roll-back"] && n === Math.floor(count / 3)) return [["empty", 0, "roll-back"]];
  return steps;
}
