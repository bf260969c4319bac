"""The switches of a stand-in controller: what it, its line, its operator and
its network do that the text of the handshake foresees or a gateway must bear.

    lag=N           result and last OFFER show N publications late
    lag-phase=N     so does the phase that a verdict brings
    verdict-0       a new result shows verdict 0 for one publication
    floor           the floor is FFFFFFFF until the operator clears the memory
    tags            tags of any bytes
    roll-once       now and then one publication says a roll number that is 3 lower
    roll-back       the roll number goes back, for good
    produced-once   now and then one publication says 70 outcomes more
    taken           rolls are taken away in each phase, and some come back
    abort           aborts, with the roll left in place
    restart         the program is started again, in each phase
    memory-loss     retained memory is lost once
    operator        measured again, retry, back from manual, a permissive off,
                    cold platens, a start button that is held down
    no-limits       LIMITS is not published
    narrow-limits   the greatest header temperature is 180.0 °C
    strict          whole blocks and single registers alone; own blocks of the
                    gateway cannot be read
    unwritten=HOW   entries never written: noise (Modbus); bad, waiting (OPC UA)
    refuse=CODE     each step is refused now and then with this exception
                    (Modbus) or status (OPC UA), half of the writes with effect
"""

from handshake import AWAIT, EMPTY, HELD, MANUAL, RUN, put, two

BARE = ("verdict-0", "floor", "tags", "roll-once", "roll-back", "produced-once", "taken", "abort", "restart", "memory-loss",
        "operator", "no-limits", "narrow-limits", "strict")
NUMBERS = ("lag", "lag-phase", "refuse")


def parse(texts):
    """The switches by name."""
    out = {}
    for text in texts:
        name, _, value = text.partition("=")
        if name in NUMBERS:
            out[name] = int(value)
        elif name == "unwritten":
            out[name] = value
        elif name in BARE and not value:
            out[name] = True
        else:
            raise SystemExit(f"--switch {text}: want one of {', '.join(BARE)}, or lag, lag-phase, refuse, unwritten with a value")
    return out


class Shown:
    """The last that touches a publication before it is sealed."""

    def __init__(self, switches):
        self.lag = switches.get("lag", 0) or switches.get("lag-phase", 0)
        self.phase_too = "lag-phase" in switches
        self.verdict_0 = "verdict-0" in switches
        self.roll_once, self.produced_once = "roll-once" in switches, "produced-once" in switches
        self.earlier, self.named, self.falsified = [], None, set()

    def __call__(self, program, w):
        self.earlier.append((w[13], w[40:51]))
        del self.earlier[:-1 - self.lag]
        if self.phase_too and w[40:51] != self.earlier[0][1] and w[14] in (RUN, HELD):
            w[14] = AWAIT
        w[13], w[40:51] = self.earlier[0]
        if self.verdict_0 and w[46] and self.named != w[42:47]:
            w[47] = 0
        self.named = w[42:47]
        moment = (program.roll_no, program.phase)
        if moment not in self.falsified and program.roll_no % 3 == 1 and program.roll_no > 3 and program.phase in (AWAIT, RUN):
            self.falsified.add(moment)
            if self.roll_once:
                put(w, 18, two(w, 18) - 3)
            if self.produced_once:
                put(w, 51, two(w, 51) + 70)
        return w


def tag_of(n, plain, dice):
    """A tag for roll n: every fourth of any bytes, every fourth text with
    leftovers behind its end, the others text."""
    if n % 4 == 0:
        return bytes(dice.randrange(256) for _ in range(16))
    if n % 4 == 1:
        return plain + b"\0" + bytes(dice.randrange(256) for _ in range(15 - len(plain)))
    return plain


def strange(tag):
    """Whether text of these bytes holds a roll: one before its end is not 20 to 7E."""
    return any(not 0x20 <= byte <= 0x7E for byte in tag.split(b"\0")[0])


def plan(n, count, switches, dice):
    """What happens to roll n: phase, ticks since it began, and what is done.
    Steps are done in this order."""
    steps = []
    if "taken" in switches:
        steps += {1: [(AWAIT, 0, "permissive-off"), (AWAIT, dice.randrange(60), "take")],
                  2: [(RUN, 5, "take")],
                  3: [(AWAIT, 2, "take"), (AWAIT, 12, "put")],
                  4: [(AWAIT, dice.randrange(26), "take")],
                  5: [(AWAIT, 3, "manual"), (MANUAL, 1, "take")],
                  6: [(RUN, 5, "take"), (RUN, 80, "put")],
                  7: [(RUN, 5, "take"), (RUN, 20, "put")]}.get(n % 8, [])
    if "abort" in switches and n % 3 == 1:
        steps += [(RUN, dice.randrange(12), "abort")]
    if "restart" in switches:
        steps += {0: [(AWAIT, dice.randrange(26), "restart")],
                  1: [(RUN, dice.randrange(12), "restart")],
                  2: [(AWAIT, 3, "manual"), (MANUAL, 3, "restart")] if n % 6 == 2 else
                     [(HELD, 5, "restart"), (EMPTY, 0, "restart")]}[n % 3]
    if "operator" in switches:
        steps += {1: [(AWAIT, dice.randrange(26), "measure")],
                  2: [(AWAIT, dice.randrange(26), "manual"), (MANUAL, 2, "auto")],
                  3: [(RUN, 5, "permissive-off"), (RUN, 30, "permissive-on")],
                  4: [(AWAIT, 0, "cold"), (RUN, 40, "warm")],
                  5: [(AWAIT, 0, "hold-start"), (RUN, 30, "let-go")],
                  0: [(AWAIT, 0, "permissive-off"), (AWAIT, 80, "permissive-on")]}[n % 6]
    if "operator" in switches and n % 13 == 12:
        steps = [(HELD, 20, "retry")]
    if "memory-loss" in switches and n == count // 2:
        steps = [(RUN, 5, "lose")]
    if "floor" in switches and n == 3:
        steps = [(AWAIT, 20, "lose")]
    if "roll-back" in switches and n == count // 3:
        steps = [(EMPTY, 0, "roll-back")]
    return steps
