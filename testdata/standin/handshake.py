"""The controller's side of the recipe handshake, and a line of rolls under it.

Written from configs/controller/handshake.md alone, section by section, as a
peer of the gateway that shares nothing with it but the text. One call of
Controller.scan is one scan. It knows no sockets and no clock.

Nothing here is a safety function and nothing here drives a machine.
"""

import zlib

RING = 64
ORDER = ("HEARTBEAT", "HELLO", "PAYLOAD", "COMMIT", "ACK")
LENGTH = {"HEARTBEAT": 10, "HELLO": 10, "PAYLOAD": 80, "COMMIT": 14, "ACK": 10}
BASE = {"REQ": 1000, "OUT": 1200, "HEARTBEAT": 4000, "HELLO": 4010, "PAYLOAD": 4030, "COMMIT": 4120, "ACK": 4140}
TYPE = {"REQ": 0x5251, "OUT": 0x4F55, "HEARTBEAT": 0x4842, "HELLO": 0x4845, "PAYLOAD": 0x5041, "COMMIT": 0x434D, "ACK": 0x414B}

EMPTY, AWAIT, RUN, HELD, MANUAL = range(5)
ACCEPTED, REJECTED, HOLD = 1, 2, 3
WRAPPED, BY_HAND, REMOVED = 1, 2, 3

COMMIT_TTL = 200  # ticks of 10 ms
HB_LOSS = 250
PUBLISH = 10
PERMISSIVES = 0x3F
MASK = 0xFFFFFFFF

# Register, words, least and most of what this controller lets through, and
# the bit of the group that it belongs to. Zero passes where the text calls it
# "none".
LIMITS = (
    (33, 1, 1, 6, 0, False),
    (34, 1, 2000, 40000, 0, False),
    (35, 2, 5000, 700000, 1, False),
    (39, 1, 100, 1200, 1, False),
    (41, 1, 50, 2000, 1, False),
    (45, 1, 50, 15000, 2, False),
    (53, 1, 400, 2100, 4, False),
    (54, 1, 20, 9000, 4, False),
    (55, 1, 150, 2500, None, True),
    (56, 1, 150, 2500, None, True),
)


def crc(words):
    return zlib.crc32(b"".join(w.to_bytes(2, "big") for w in words))


def two(words, at):
    return words[at] << 16 | words[at + 1]


def put(words, at, value):
    words[at], words[at + 1] = value >> 16 & 0xFFFF, value & 0xFFFF


def seal(words):
    put(words, len(words) - 2, crc(words[:-2]))
    return words


def whole(words, name):
    return words[0] == TYPE[name] and crc(words[:-2]) == two(words, len(words) - 2)


def tag_words(tag):
    raw = tag.encode("ascii").ljust(16, b"\0")[:16]
    return [raw[i] << 8 | raw[i + 1] for i in range(0, 16, 2)]


class Image:
    """The live registers. Each block is taken or given whole."""

    def __init__(self):
        self.req = [0] * 96
        self.out = [[0] * 40 for _ in range(RING)]
        self.area = {name: [0] * LENGTH[name] for name in ORDER}

    def copy(self):
        return {name: list(words) for name, words in self.area.items()}

    def registers(self):
        yield BASE["REQ"], self.req
        for n, entry in enumerate(self.out):
            yield BASE["OUT"] + 40 * n, entry
        for name in ORDER:
            yield BASE[name], self.area[name]

    def readable(self, address, count):
        side = ((1000, 1200 + 40 * RING), (4000, 4150))
        return count > 0 and any(low <= address and address + count <= high for low, high in side)

    def read(self, address, count):
        answer = [0] * count
        for base, words in self.registers():
            low, high = max(base, address), min(base + len(words), address + count)
            if low < high:
                answer[low - address:high - address] = words[low - base:high - base]
        return answer

    def owner(self, address, count):
        for name in ORDER:
            if count > 0 and BASE[name] <= address and address + count <= BASE[name] + LENGTH[name]:
                return name
        return None

    def write(self, address, values):
        name = self.owner(address, len(values))
        at = address - BASE[name]
        self.area[name][at:at + len(values)] = values


class Controller:
    """Sections 5 and 6 of the handshake, without loss of power."""

    def __init__(self, image):
        self.image = image
        self.boot, self.roll_no, self.req_id, self.floor = 1, 0, 0, 0
        self.active, self.last_offer = (0, 0), 0
        self.result = {"req": 0, "session": (0, 0), "offer": 0, "verdict": 0, "reason": 0, "crc": 0}
        self.phase = EMPTY
        self.roll = None
        self.payload = None
        self.produced = self.acked = self.stale = 0
        self.commit_seen = [0] * 14
        self.hb_count, self.hb_tick, self.alive = None, 0, False
        self.gen, self.published, self.shown = 0, -PUBLISH, None
        self.events = []

    def session(self, words):
        return two(words, 2), two(words, 4)

    def scan(self, tick, act):
        """One scan. act is what line and operator do: a name, or None."""
        self.events = []
        area = self.image.copy()
        self.hello(area["HELLO"])
        self.ack(area["ACK"])
        self.commit(tick, area["COMMIT"], area["PAYLOAD"])
        self.heartbeat(tick, area["HEARTBEAT"])
        self.line(tick, act)
        self.publish(tick)
        return self.events

    def hello(self, w):
        if not whole(w, "HELLO") or w[1] != 2 or two(w, 6) != self.boot:
            return
        session = self.session(w)
        if session == self.active or session[0] <= self.floor:
            return
        self.floor, self.active, self.last_offer = session[0], session, 0
        self.hb_count, self.alive = None, False
        self.events.append(("adopted", session))

    def ack(self, w):
        if not whole(w, "ACK") or self.active == (0, 0) or self.session(w) != self.active:
            return
        if self.acked < two(w, 6) <= self.produced:
            self.acked = two(w, 6)

    def commit(self, tick, w, payload):
        changed, self.commit_seen = w != self.commit_seen, w
        ours = whole(w, "COMMIT") and self.active != (0, 0) and self.session(w) == self.active
        if ours and w[1] == self.last_offer != 0:
            return
        if ours and w[1] > self.last_offer and self.phase == AWAIT and two(w, 6) == self.req_id:
            self.judge(tick, w, payload)
        elif changed:
            self.stale += 1

    def judge(self, tick, w, p):
        verdict, reason = self.verdict(tick, w, p)
        self.last_offer = w[1]
        self.result = {"req": self.req_id, "session": self.active, "offer": w[1],
                       "verdict": verdict, "reason": reason, "crc": two(p, 78)}
        if verdict == ACCEPTED:
            self.payload, self.phase, self.started = p, RUN, tick
        elif verdict == HOLD:
            self.phase = HELD
        self.events.append(("judged", verdict, reason, self.roll_no, self.active, w[1], p))

    def verdict(self, tick, w, p):
        if not whole(p, "PAYLOAD") or p[1] != 2 or two(p, 78) != two(w, 8) or p[13] not in (1, 2):
            return REJECTED, 10
        if (self.session(p), two(p, 6), two(p, 8), two(p, 10), p[12]) != \
                (self.active, self.boot, self.req_id, self.roll_no, w[1]):
            return REJECTED, 11
        own = tag_words(self.roll["tag"])
        if p[21:29] != own or two(p, 29) != self.roll["diameter"] or two(p, 31) != self.roll["width"]:
            return REJECTED, 12
        if (tick - two(w, 10)) & MASK > COMMIT_TTL:
            return REJECTED, 13
        if not self.alive:
            return REJECTED, 14
        if p[13] == 2:
            return HOLD, 0
        for reg, words, low, high, group, none in LIMITS:
            if group is not None and not p[66] >> group & 1:
                continue
            value = two(p, reg) if words == 2 else p[reg]
            if not (none and value == 0) and not low <= value <= high:
                return REJECTED, 60 + reg - 33
        return ACCEPTED, 0

    def heartbeat(self, tick, w):
        if whole(w, "HEARTBEAT") and self.active != (0, 0) and self.session(w) == self.active and w[1] != self.hb_count:
            self.hb_count, self.hb_tick = w[1], tick
        self.alive = self.hb_count is not None and (tick - self.hb_tick) & MASK <= HB_LOSS

    def full(self):
        return self.produced - self.acked >= RING

    def line(self, tick, act):
        if act is None:
            return
        name = act[0]
        if name == "enter" and self.phase == EMPTY and not self.full():
            self.roll_no += 1
            self.roll = dict(act[1], measured=tick)
            self.request()
            self.events.append(("entered", self.roll_no))
        elif name == "remove" and self.phase in (AWAIT, HELD, MANUAL):
            self.outcome(tick, REMOVED)
        elif name == "manual" and self.phase in (AWAIT, HELD):
            self.phase = MANUAL
        elif name == "done" and self.phase == MANUAL:
            self.outcome(tick, BY_HAND)
        elif name == "done" and self.phase == RUN:
            self.outcome(tick, WRAPPED)

    def request(self):
        self.req_id += 1
        self.phase = AWAIT

    def outcome(self, tick, kind):
        self.produced += 1
        w = [0] * 40
        w[0], w[1], w[15] = TYPE["OUT"], 2, kind
        put(w, 2, self.produced)
        put(w, 4, self.roll_no)
        put(w, 6, self.boot)
        put(w, 8, self.req_id)
        put(w, 32, tick)
        put(w, 34, tick)
        if kind == WRAPPED:
            p = self.payload
            w[10:14], w[14] = p[2:6], p[12]
            put(w, 17, two(p, 78))
            w[19], w[20:22], w[22] = p[33], p[35:37], p[39]
            w[23], w[24], w[25], w[26], w[27] = p[45], p[53], p[54], p[56], p[40]
            w[28:30] = p[60:62]  # weighed as expected
            w[30:32] = p[35:37]
            put(w, 32, self.started)
        self.image.out[self.produced % RING] = seal(w)
        self.phase = EMPTY
        self.events.append(("outcome", kind, self.roll_no))

    def publish(self, tick):
        state = (self.phase, self.req_id, self.active, self.last_offer, self.produced, self.acked, self.alive, tuple(self.result.values()))
        if state == self.shown and (tick - self.published) & MASK < PUBLISH:
            return
        self.shown, self.published = state, tick
        self.gen = self.gen + 1 & 0xFFFF
        w = [0] * 96
        w[0], w[1], w[2], w[93] = TYPE["REQ"], 2, self.gen, self.gen
        put(w, 3, self.boot)
        put(w, 5, tick)
        put(w, 7, self.active[0])
        put(w, 9, self.active[1])
        put(w, 11, self.floor)
        w[13], w[14] = self.last_offer, self.phase
        w[15] = 1 | (self.phase == MANUAL) << 2 | self.full() << 3 | self.alive << 4 | (self.phase != EMPTY) << 5
        put(w, 16, PERMISSIVES)
        put(w, 18, self.roll_no)
        put(w, 20, self.req_id)
        if self.phase != EMPTY:
            r = self.roll
            w[22:30] = tag_words(r["tag"])
            put(w, 30, r["diameter"])
            put(w, 32, r["width"])
            w[36], w[37], w[38] = r["grade"], r["core"], 95
            w[39] = min((tick - r["measured"]) & MASK, 0xFFFF)
            w[61], w[62] = 4, 3
            w[63:67] = [r["diameter"]] * 4
            w[75:78] = [r["width"]] * 3
        put(w, 40, self.result["req"])
        put(w, 42, self.result["session"][0])
        put(w, 44, self.result["session"][1])
        w[46], w[47], w[48] = self.result["offer"], self.result["verdict"], self.result["reason"]
        put(w, 49, self.result["crc"])
        put(w, 51, self.produced)
        put(w, 53, self.acked)
        put(w, 55, self.stale)
        w[59], w[60] = 1, {EMPTY: 4, AWAIT: 5, RUN: 6, HELD: 11, MANUAL: 6}[self.phase]
        w[83] = 0x3F
        w[84:90] = [1000] * 6
        w[91], w[92] = 1767, 1771
        self.image.req = seal(w)


def rolls(count):
    """A shift of made-up rolls, the same each time: diameters of 26 to 53
    inches, widths that the six wrappers of the demonstration fit, and every
    thirteenth a width that none fits."""
    widths = (24.0, 32.5, 40.25, 50.5, 62.0, 76.0)
    for n in range(count):
        inches = 45.0 if n % 13 == 12 else widths[n * 5 % 6]
        yield {
            "tag": f"SI-{n + 1:05d}",
            "diameter": round((26 + n * 7 % 28) * 254),
            "width": round(inches * 254),
            "grade": 1 + n % 3,
            "core": 1 + n % 2,
        }


class Shift:
    """A line of rolls and an operator over the program, by ticks of 10 ms.

    A roll arrives, is wrapped or held; a held roll is taken away after a
    while; one that nobody offers anything for is wrapped by hand."""

    ARRIVE, WRAP, HELD_FOR, PATIENCE, BY_HAND_FOR = 5, 15, 40, 1500, 30

    def __init__(self, program, count):
        self.program, self.count = program, count
        self.coming = list(rolls(count))
        self.left = 0
        self.since = 0
        self.phase = EMPTY
        self.accepted_rolls, self.accepted_offers = {}, {}
        self.summary = dict.fromkeys(
            ("rolls", "accepted", "held", "rejected", "wrapped", "removed", "by_hand", "sessions", "stale", "produced", "acknowledged"), 0)
        self.violations = []
        self.reasons = []

    def done(self):
        p = self.program
        return self.left == self.count and p.acked == p.produced

    def act(self, tick):
        p, waited = self.program, tick - self.since
        if p.phase == EMPTY and waited >= self.ARRIVE:
            return ("enter", self.coming[0]) if self.coming else None
        if p.phase == RUN and waited >= self.WRAP or p.phase == MANUAL and waited >= self.BY_HAND_FOR:
            return ("done",)
        if p.phase == HELD and waited >= self.HELD_FOR:
            return ("remove",)
        if p.phase == AWAIT and waited >= self.PATIENCE and p.active != (0, 0):
            return ("manual",)
        return None

    def step(self, tick):
        for event in self.program.scan(tick, self.act(tick)):
            getattr(self, "on_" + event[0])(*event[1:])
        if self.program.phase != self.phase:
            self.phase, self.since = self.program.phase, tick

    def on_adopted(self, session):
        self.summary["sessions"] += 1

    def on_entered(self, roll):
        self.summary["rolls"] += 1
        self.coming.pop(0)

    def on_judged(self, verdict, reason, roll, session, offer, payload):
        self.summary[{ACCEPTED: "accepted", REJECTED: "rejected", HOLD: "held"}[verdict]] += 1
        if verdict == REJECTED:
            self.reasons.append(reason)
        if verdict != ACCEPTED:
            return
        if roll in self.accepted_rolls:
            self.violations.append(f"roll {roll} accepted twice")
        if (session, offer) in self.accepted_offers:
            self.violations.append(f"offer {offer} of session {session} accepted twice")
        self.accepted_rolls[roll] = self.accepted_offers[session, offer] = True

    def on_outcome(self, kind, roll):
        self.left += 1
        self.summary[{WRAPPED: "wrapped", BY_HAND: "by_hand", REMOVED: "removed"}[kind]] += 1
        if kind == WRAPPED and roll not in self.accepted_rolls:
            self.violations.append(f"roll {roll} wrapped without a recipe")

    def report(self):
        p = self.program
        self.summary.update(stale=p.stale, produced=p.produced, acknowledged=p.acked)
        if p.produced != self.left:
            self.violations.append(f"{p.produced} outcomes for {self.left} rolls")
        return {**self.summary, "rejections": self.reasons, "violations": self.violations, "done": self.done()}
