"""The controller's side of the recipe handshake.

Written from the text of the handshake alone, section by section, as a peer of
the gateway that shares nothing with it but the text. One call of
Controller.scan is one scan. It knows no sockets and no clock.

Nothing here is a safety function and nothing here drives a machine.
"""

import zlib

RING = 64
ORDER = ("HEARTBEAT", "HELLO", "PAYLOAD", "COMMIT", "ACK")
LENGTH = {"REQ": 96, "OUT": 40, "LIMITS": 80, "HEARTBEAT": 10, "HELLO": 10, "PAYLOAD": 80, "COMMIT": 14, "ACK": 10}
TYPE = {"REQ": 0x5251, "OUT": 0x4F55, "LIMITS": 0x4C49, "HEARTBEAT": 0x4842, "HELLO": 0x4845, "PAYLOAD": 0x5041,
        "COMMIT": 0x434D, "ACK": 0x414B}
LAYOUT = 2

EMPTY, AWAIT, RUN, HELD, MANUAL, FAULT = range(6)
ACCEPTED, REJECTED, HOLD = 1, 2, 3
WRAPPED, BY_HAND, REMOVED, ABORTED, UNKNOWN = 1, 2, 3, 4, 5
# Bits of the flags.
PERMITTED, LOST, BY_OPERATOR, FULL, ALIVE, MEASURED, ASKED, LIMITED = (1 << n for n in range(8))

COMMIT_TTL = 200  # ticks of 10 ms
HB_LOSS = 250
PUBLISH = 10
GONE_TIME = 50
PERMISSIVES = 0x3F
MASK = 0xFFFFFFFF
GREATEST_EPOCH = 4_000_000_000
EPOCH_STEP = 1 << 20
CEILING = 2000  # 0.1 °C, whatever limit is entered
BUILD_YEAR = 6 * 365 * 86400  # seconds from 2020-01-01 to the year of this program

STAND, WRAP, CRIMP, GLUE, HEADER, WEIGH, CENTRE, DRIVES = range(8)

# The limits of this machine: payload register, least, greatest, and the bit of
# the group, None for a field that is always compared. A field that is not named
# here has no limit of its own.
LIMITS = {
    33: (1, 6, STAND),
    34: (2000, 40000, STAND),
    35: (5000, 700000, WRAP),
    39: (100, 1200, WRAP),
    41: (50, 2000, WRAP),
    45: (50, 15000, CRIMP),
    53: (0, 2000, HEADER),
    54: (0, 9000, HEADER),
    55: (0, 2500, None),
    56: (0, 2500, None),
    57: (0, 0xFF, WRAP),
    58: (0, 2000, GLUE),
    59: (0, 2000, HEADER),
    66: (0, 0xFF, None),
    67: (0, 2000, HEADER),
}
WIDE = (35, 37, 60, 62)  # fields of two registers
BITS = (57, 66)
SIGNED = 65
FIELDS = [n for n in range(33, 68) if n - 1 not in WIDE]


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


def session_in(words):
    return two(words, 2), two(words, 4)


def tag_words(tag):
    """The eight words of a tag of any sixteen bytes."""
    raw = tag.ljust(16, b"\0")[:16]
    return [raw[i] << 8 | raw[i + 1] for i in range(0, 16, 2)]


def limits_of(field):
    """Least, greatest and group of a payload field."""
    if field in LIMITS:
        return LIMITS[field]
    if field == SIGNED:
        return -0x8000, 0x7FFF, CENTRE
    return 0, MASK if field in WIDE else 0xFFFF, None


def setpoint(payload, field):
    if field in WIDE:
        return two(payload, field)
    value = payload[field]
    return value - 0x10000 if field == SIGNED and value > 0x7FFF else value


def limits_block(generation):
    w = [0] * LENGTH["LIMITS"]
    w[0], w[1], w[2] = TYPE["LIMITS"], LAYOUT, generation
    for field in FIELDS:
        for base, value in zip((4, 39), limits_of(field)):
            at = base + field - 33
            if field in WIDE:
                put(w, at, value)
            else:
                w[at] = value & 0xFFFF
    return seal(w)


class Image:
    """The live registers. Each block is taken or given whole."""

    def __init__(self):
        self.req = [0] * LENGTH["REQ"]
        self.out = [[0] * LENGTH["OUT"] for _ in range(RING)]
        self.limits = None  # or the block, where it is published
        self.area = {name: [0] * LENGTH[name] for name in ORDER}

    def copy(self):
        return {name: list(words) for name, words in self.area.items()}


class Inputs:
    """What the program sees of the machine and its operator in one scan."""

    def __init__(self):
        self.present = False
        self.start = False
        self.permissives = PERMISSIVES
        self.cooler, self.hotter = 1767, 1771
        self.roll = None  # tag, diameter, width, grade, core
        self.wrap = 15  # ticks with the outputs on until the roll is wrapped
        self.clock = BUILD_YEAR + 86400


class Controller:
    """Sections 5 to 7 of the handshake."""

    def __init__(self, image, shown=None, limits=True):
        self.image = image
        self.shown = shown or (lambda now, words: words)  # the last that touches a publication
        self.image.limits = limits_block(1) if limits else None
        self.boot, self.roll_no, self.req_id, self.floor = 1, 0, 0, 0
        self.phase, self.payload = EMPTY, None
        self.produced = self.acked = 0
        self.still = False  # an aborted roll lies there
        self.lost = self.clock_stands = False
        self.result = self.no_result()
        self.power_up()
        self.stale = self.overwritten = 0
        self.gen, self.published, self.state = 0, -PUBLISH, None
        self.roll, self.asked = None, False
        self.events = []

    @staticmethod
    def no_result():
        return {"req": 0, "session": (0, 0), "offer": 0, "verdict": 0, "reason": 0, "crc": 0}

    def power_up(self):
        """What is volatile."""
        self.active, self.last_offer = (0, 0), 0
        self.commit_seen = [0] * LENGTH["COMMIT"]
        self.hb_count, self.hb_tick, self.alive = None, 0, False
        self.outputs, self.start_before = False, True
        self.progress, self.worked, self.press_waits, self.closed = 0, None, False, False
        self.gone_since = None
        self.was_off = False

    # Section 5: one scan.

    def scan(self, tick, inputs, act=None):
        """One scan. act is what the operator or the machine reports, a word."""
        self.events = []
        if act == "restart":
            self.restart(tick, inputs)
        elif act == "lose":
            self.lose(tick, inputs)
        area = self.image.copy()
        self.hello(area["HELLO"])
        self.ack(area["ACK"])
        self.commit(tick, area["COMMIT"], area["PAYLOAD"], inputs)
        self.heartbeat(tick, area["HEARTBEAT"])
        self.presence(tick, inputs)
        self.line(tick, inputs, act)
        self.drive(tick, inputs)
        self.publish(tick, inputs)
        return self.events

    def hello(self, w):
        if not whole(w, "HELLO") or w[1] != LAYOUT or two(w, 6) != self.boot or self.lost or self.clock_stands:
            return
        session = session_in(w)
        epoch = session[0]
        if session == self.active or epoch <= self.floor or epoch > GREATEST_EPOCH:
            return
        if self.floor != 0 and epoch - self.floor > EPOCH_STEP:
            return
        self.floor, self.active, self.last_offer = epoch, session, 0
        self.hb_count, self.alive = None, False
        self.events.append(("adopted", session))

    def ours(self, w):
        return self.active != (0, 0) and session_in(w) == self.active

    def ack(self, w):
        if whole(w, "ACK") and self.ours(w) and self.acked < two(w, 6) <= self.produced:
            self.acked = two(w, 6)

    def commit(self, tick, w, payload, inputs):
        changed, self.commit_seen = w != self.commit_seen, w
        ours = whole(w, "COMMIT") and self.ours(w)
        if ours and w[1] == self.last_offer != 0:
            return
        if ours and w[1] > self.last_offer and self.phase == AWAIT and two(w, 6) == self.req_id:
            self.judge(tick, w, payload, inputs)
        elif changed:
            self.stale += 1

    def judge(self, tick, w, p, inputs):
        verdict, reason = self.verdict(tick, w, p, inputs)
        self.last_offer = w[1]
        self.result = {"req": self.req_id, "session": self.active, "offer": w[1],
                       "verdict": verdict, "reason": reason, "crc": two(p, 78)}
        if verdict == ACCEPTED:
            self.payload, self.phase, self.started = p, RUN, tick
        elif verdict == HOLD:
            self.phase = HELD
        self.events.append(("judged", verdict, reason, self.roll_no, self.active, w[1], p))

    def verdict(self, tick, w, p, inputs):
        if not whole(p, "PAYLOAD") or p[1] != LAYOUT or two(p, 78) != two(w, 8) or p[13] not in (1, 2):
            return REJECTED, 10
        if (session_in(p), two(p, 6), two(p, 8), two(p, 10), p[12]) != \
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
        for bit in range(6):
            if not inputs.permissives >> bit & 1:
                return REJECTED, 20 + bit
        field = self.outside(p)
        return (REJECTED, 60 + field - 33) if field else (ACCEPTED, 0)

    @staticmethod
    def outside(p):
        """The first payload register of check 8 that is wrong, or None."""
        header, heated = p[66] >> HEADER & 1, p[53] > 0
        for field in FIELDS:
            least, greatest, group = limits_of(field)
            if group is not None and not p[66] >> group & 1:
                continue
            value = setpoint(p, field)
            if field in BITS and value & ~greatest or not least <= value <= greatest:
                return field
            if field in (53, 59, 67) and value > CEILING:
                return field
            if header and field in (59, 67) and heated == (value == 0):
                return field
            if header and field == 67 and value < p[59]:
                return field
        return None

    def heartbeat(self, tick, w):
        if whole(w, "HEARTBEAT") and self.ours(w) and w[1] != self.hb_count:
            self.hb_count, self.hb_tick = w[1], tick
        self.alive = self.hb_count is not None and (tick - self.hb_tick) & MASK <= HB_LOSS

    # Section 6.2: roll, operator, outcome.

    def full(self):
        return self.produced - self.acked >= RING

    def presence(self, tick, inputs):
        if inputs.present:
            self.gone_since = None
            return
        self.was_off = True
        if self.gone_since is None:
            self.gone_since = tick
        if (tick - self.gone_since) & MASK < GONE_TIME:
            return
        self.still = False
        if self.phase in (AWAIT, HELD, MANUAL):
            self.outcome(tick, REMOVED)
        elif self.phase == RUN:
            self.asked = True

    def line(self, tick, inputs, act):
        if self.phase == FAULT:
            if act == "acknowledge" and not self.clock_stands:
                self.lost, self.asked, self.phase = False, False, EMPTY
        elif self.phase == EMPTY and inputs.present and not self.full():
            if act == "confirm" or self.was_off and not self.still:
                self.roll_no += 1
                self.still = False
                self.request(tick, inputs)
                self.events.append(("entered", self.roll_no))
        elif act == "measure" and self.phase == AWAIT or act == "retry" and self.phase == HELD or \
                act == "auto" and self.phase == MANUAL and inputs.present:
            self.request(tick, inputs)
        elif act == "manual" and self.phase in (AWAIT, HELD):
            self.phase = MANUAL
        elif act == "abort" and self.phase == RUN:
            self.still = True
            self.outcome(tick, ABORTED)
        elif act == "gone" and self.phase == RUN and self.asked:
            self.outcome(tick, ABORTED)
        elif act == "same" and self.phase == RUN and self.asked and inputs.present:
            self.asked = False

    def request(self, tick, inputs):
        self.req_id += 1
        self.phase = AWAIT
        self.roll = dict(inputs.roll, measured=tick)

    def outcome(self, tick, kind):
        self.produced += 1
        w = [0] * LENGTH["OUT"]
        w[0], w[1], w[15] = TYPE["OUT"], LAYOUT, kind
        put(w, 2, self.produced)
        put(w, 4, self.roll_no)
        put(w, 6, self.boot)
        put(w, 8, self.req_id)
        put(w, 32, tick)
        put(w, 34, tick)
        if kind in (WRAPPED, ABORTED):
            self.as_used(w, kind)
        self.image.out[self.produced % RING] = seal(w)
        self.phase, self.asked, self.outputs, self.was_off = EMPTY, False, False, False
        self.events.append(("outcome", w))

    def as_used(self, w, kind):
        p = self.payload
        w[6:10], w[10:14], w[14] = p[6:10], p[2:6], p[12]
        put(w, 17, two(p, 78))
        put(w, 32, self.started)
        if kind != WRAPPED:
            return
        w[19], w[20:22], w[22] = p[33], p[35:37], p[39]
        w[23], w[24], w[25], w[26], w[27] = p[45], p[53], p[54], p[56], p[40]
        w[28:30] = p[60:62]  # weighed as expected
        w[30:32] = p[35:37]
        w[36], w[37] = 1240, 4000  # overhang; the gauge of the press

    # Section 6.4 and 6.5: outputs.

    def drive(self, tick, inputs):
        """Outputs come on by a press of start alone, and the work goes on while
        they are on."""
        pressed = inputs.start and not self.start_before
        self.start_before = inputs.start
        may = inputs.permissives == PERMISSIVES and inputs.present and self.phase in (RUN, MANUAL) and not self.asked
        if not may:
            self.outputs = False
        elif pressed:
            self.outputs = True
        if self.worked != (self.phase, self.roll_no):
            self.worked, self.progress, self.press_waits, self.closed = (self.phase, self.roll_no), tick, False, False
        if not self.outputs:
            self.progress = tick  # the work begins again: nothing here is a machine
            return
        if self.phase == RUN and not self.closed and not self.close(inputs, pressed):
            self.progress = tick
        elif (tick - self.progress) & MASK >= inputs.wrap:
            self.outcome(tick, WRAPPED if self.phase == RUN else BY_HAND)

    def close(self, inputs, pressed):
        """Whether the press is closed: only between the two temperatures, and
        where it waited, only by a new press of start."""
        p = self.payload
        if p[66] >> HEADER & 1 and p[53] > 0:
            if not (inputs.cooler and inputs.hotter and p[59] <= inputs.cooler and inputs.hotter <= p[67]):
                self.press_waits = True
                return False
            if self.press_waits and not pressed:
                return False
        self.closed, self.press_waits = True, False
        return True

    # Section 7: restart.

    def restart(self, tick, inputs):
        self.boot = (self.boot + 1) & MASK or 1
        self.power_up()
        if self.phase == AWAIT and inputs.present:
            self.request(tick, inputs)
        elif self.phase == RUN:
            self.asked = True
        if self.phase == EMPTY:
            self.was_off = not inputs.present

    def lose(self, tick, inputs):
        """Retained memory is gone, or was cleared by the procedure."""
        self.power_up()
        self.image.area = {name: [0] * LENGTH[name] for name in ORDER}
        self.image.out = [[0] * LENGTH["OUT"] for _ in range(RING)]
        self.boot = inputs.clock or 1
        self.clock_stands = inputs.clock < BUILD_YEAR
        self.roll_no = self.req_id = self.floor = self.produced = self.acked = 0
        self.result, self.payload, self.still = self.no_result(), None, False
        self.events.append(("lost",))
        if inputs.present:
            self.roll_no = 1
            self.outcome(tick, UNKNOWN)
        self.lost, self.asked, self.phase = True, True, FAULT

    # REQ.

    def flags(self, inputs):
        bits = ((PERMITTED, inputs.permissives == PERMISSIVES), (LOST, self.lost), (BY_OPERATOR, self.phase == MANUAL),
                (FULL, self.full()), (ALIVE, self.alive), (MEASURED, self.phase not in (EMPTY, FAULT)),
                (ASKED, self.asked), (LIMITED, self.image.limits is not None))
        return sum(bit for bit, on in bits if on)

    def publish(self, tick, inputs):
        state = (self.boot, self.phase, self.roll_no, self.req_id, self.active, self.last_offer, self.produced, self.acked,
                 self.flags(inputs), tuple(self.result.values()))
        if state == self.state and (tick - self.published) & MASK < PUBLISH:
            return
        self.state, self.published = state, tick
        self.gen = self.gen + 1 & 0xFFFF
        self.image.req = seal(self.shown(self, self.view(tick, inputs)))

    def view(self, tick, inputs):
        w = [0] * LENGTH["REQ"]
        w[0], w[1], w[2], w[93] = TYPE["REQ"], LAYOUT, self.gen, self.gen
        for at, value in ((3, self.boot), (5, tick), (7, self.active[0]), (9, self.active[1]), (11, self.floor),
                          (16, inputs.permissives), (18, self.roll_no), (20, self.req_id), (40, self.result["req"]),
                          (42, self.result["session"][0]), (44, self.result["session"][1]), (49, self.result["crc"]),
                          (51, self.produced), (53, self.acked), (55, self.stale), (57, self.overwritten)):
            put(w, at, value & MASK)
        w[13], w[14], w[15] = self.last_offer, self.phase, self.flags(inputs)
        w[46], w[47], w[48] = self.result["offer"], self.result["verdict"], self.result["reason"]
        if self.phase not in (EMPTY, FAULT):
            r = self.roll
            w[22:30] = tag_words(r["tag"])
            put(w, 30, r["diameter"])
            put(w, 32, r["width"])
            w[36], w[37], w[38] = r["grade"], r["core"], 95
            w[39] = min((tick - r["measured"]) & MASK, 0xFFFF)
            w[61], w[62] = 4, 3
            w[63:67] = [r["diameter"]] * 4
            w[75:78] = [r["width"]] * 3
        w[59], w[60] = 1, {EMPTY: 4, AWAIT: 5, RUN: 6, HELD: 11, MANUAL: 6, FAULT: 9}[self.phase]
        w[83] = 0x3F
        w[84:90] = [1000] * 6
        w[91], w[92] = inputs.cooler, inputs.hotter
        return w
