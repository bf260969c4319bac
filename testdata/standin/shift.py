"""A line of rolls and its people around the stand-in controller, and the ledger
of what the controller did. Time is in ticks of 10 ms."""

import random
import time

from handshake import (ACCEPTED, AWAIT, EMPTY, FAULT, GONE_TIME, HELD, HOLD, MANUAL, PERMISSIVES, REJECTED, RUN, WRAPPED,
                       Inputs, two)
from switches import plan, strange, tag_of


def rolls(count, switches):
    """A shift of made-up rolls, the same each time: diameters of 26 to 53
    inches, widths that the six wrappers of the demonstration fit, and every
    thirteenth a width that none fits."""
    widths = (24.0, 32.5, 40.25, 50.5, 62.0, 76.0)
    dice = random.Random(11)
    for n in range(count):
        inches = 45.0 if n % 13 == 12 else widths[n * 5 % 6]
        tag = f"SI-{n + 1:05d}".encode("ascii")
        yield {
            "tag": tag_of(n, tag, dice) if "tags" in switches else tag,
            "diameter": round((26 + n * 7 % 28) * 254),
            "width": round(inches * 254),
            "grade": 1 + n % 3,
            "core": 1 + n % 2,
            "plan": plan(n, count, switches, dice),
            # A lag is seen where the run is longer than it.
            "wrap": 150 if n % 2 and ("lag" in switches or "lag-phase" in switches) else 15,
        }


class Shift:
    """A roll arrives, is wrapped or held; a held roll is taken away after a
    while; one that nobody offers anything for is wrapped by hand."""

    ARRIVE, HELD_FOR, REST, ANSWER, LOOK = 5, 40, 60, 10, 60
    FAULT_FOR = 200  # a fault stands for some seconds, that nobody misses it

    def __init__(self, program, count, switches):
        self.program, self.count = program, count
        self.coming = list(rolls(count, switches))
        self.patience = 400 if "roll-back" in switches else 1500
        self.inputs = Inputs()
        self.lying = None  # the roll at the station
        self.entered = False
        self.steps = []
        self.since, self.phase = 0, EMPTY
        self.held_start = False
        if "floor" in switches:
            program.floor = 0xFFFFFFFF
        self.accepted_rolls, self.accepted_offers = {}, {}
        self.judged, self.outcomes, self.violations = [], [], []
        self.history, self.known = [], {"boot": 0, "roll": 0, "req": 0, "active": (0, 0), "acked": 0}
        self.sessions, self.lives = 0, 0

    def done(self):
        p = self.program
        return not self.coming and self.lying is None and p.phase == EMPTY and p.acked == p.produced

    def end(self):
        """No more rolls come."""
        self.coming, self.count = [], 0

    def step(self, tick):
        act = self.act(tick)
        i = self.inputs
        i.present, i.roll = self.lying is not None, self.lying
        i.wrap = self.lying["wrap"] if self.lying else 15
        before = self.program.outputs, i.start
        self.press()
        events = list(self.program.scan(tick, i, act))
        self.tell(events)
        for event in events:
            getattr(self, "on_" + event[0])(*event[1:])
        self.watch(before)
        if self.program.phase != self.phase:
            self.phase, self.since = self.program.phase, tick

    def tell(self, events):
        """Write down what this scan did, in the order in which a scan does it and
        with the time of the clock, for testdata/history."""
        p, known = self.program, self.known
        at = time.time_ns() // 1000

        def note(what, **more):
            self.history.append({"at": at, "what": what, "boot": p.boot, **more})

        if p.boot != known["boot"]:
            lost = any(e[0] == "lost" for e in events)
            note("memory-lost" if lost else "boot")
            if lost:
                known.update(roll=0, req=0, acked=0)
            known.update(boot=p.boot, active=(0, 0))
        if p.active not in ((0, 0), known["active"]):
            note("adopted", epoch=p.active[0], nonce=p.active[1])
        if p.acked > known["acked"]:
            note("acknowledged", out_idx=p.acked)
        for e in events:
            if e[0] == "judged":
                note("judged", verdict=e[1], roll_no=e[3], req_id=known["req"], epoch=e[4][0], nonce=e[4][1], offer=e[5])
            elif e[0] == "outcome":
                w = e[1]
                note("left", roll_no=two(w, 4), outcome=w[15], out_idx=two(w, 2), epoch=two(w, 10), nonce=two(w, 12), offer=w[14])
                known["roll"] = two(w, 4)
        if p.roll_no > known["roll"]:
            note("entered", roll_no=p.roll_no)
        if p.req_id > known["req"]:
            note("requested", roll_no=p.roll_no, req_id=p.req_id)
        known.update(roll=p.roll_no, req=p.req_id, active=p.active, acked=p.acked)

    def press(self):
        """Start is pressed, and let go, until the outputs are on."""
        p, i = self.program, self.inputs
        wanted = p.phase in (RUN, MANUAL) and not (p.outputs and not p.press_waits)
        i.start = self.held_start or wanted and not i.start

    def watch(self, before):
        p, i = self.program, self.inputs
        if p.outputs and not before[0] and (before[1] or not i.start):
            self.violations.append(f"roll {p.roll_no}: outputs came on without a press of start")
        if p.outputs and (i.permissives != PERMISSIVES or not i.present or p.phase not in (RUN, MANUAL)):
            self.violations.append(f"roll {p.roll_no}: outputs on in phase {p.phase}")

    def act(self, tick):
        p, waited = self.program, tick - self.since
        if self.steps and self.steps[0][0] == p.phase and waited >= self.steps[0][1]:
            return self.do(self.steps.pop(0)[2])
        if p.phase == EMPTY:
            return self.between(waited)
        if p.phase == FAULT:
            return "acknowledge" if waited >= self.FAULT_FOR else None
        if p.phase == RUN and p.asked:
            return ("same" if self.lying else "gone") if waited >= self.ANSWER + GONE_TIME else None
        if p.phase == HELD and waited >= self.HELD_FOR:
            self.lying = None
        patience = self.patience if p.floor < 0xFFFFFFFF else 100
        if p.phase == AWAIT and waited >= patience and (p.active != (0, 0) or p.floor == 0xFFFFFFFF):
            self.steps = []
            self.ready()
            return "manual"
        return None

    def between(self, waited):
        p = self.program
        if self.lying and self.entered:
            if self.back_at_work:
                return "confirm"
            if waited >= (self.REST if p.still else 0):
                self.lying, self.entered = None, False
        elif self.lying:
            return "confirm" if waited >= self.LOOK else None
        elif waited >= self.ARRIVE and self.coming:
            self.lying, self.entered = self.coming.pop(0), False
        return None

    def do(self, step):
        i = self.inputs
        if step == "take":
            self.taken, self.lying = self.lying, None
        elif step == "put":
            self.lying = self.taken
        elif step.startswith("permissive"):
            i.permissives = PERMISSIVES if step == "permissive-on" else PERMISSIVES & ~2
        elif step in ("cold", "warm"):
            i.cooler = 1767 if step == "warm" else 1200
        elif step in ("hold-start", "let-go"):
            self.held_start = step == "hold-start"
        elif step == "roll-back":
            self.program.roll_no -= min(9, self.program.roll_no - 1)
        else:
            return step
        return None

    back_at_work = False  # a roll whose number was lost is to enter again

    def on_adopted(self, session):
        self.sessions += 1

    def on_entered(self, roll):
        if not self.back_at_work:
            self.steps = list(self.lying["plan"])
        self.entered, self.back_at_work = True, False
        self.ready()

    def ready(self):
        """The machine is as it is to be, and nobody presses start."""
        self.inputs.permissives, self.inputs.cooler, self.held_start = PERMISSIVES, 1767, False

    def on_lost(self):
        self.lives += 1
        self.back_at_work = self.lying is not None
        self.accepted_rolls = {}

    def on_judged(self, verdict, reason, roll, session, offer, p):
        self.judged.append({
            "epoch": session[0], "nonce": session[1], "offer": offer, "roll": roll, "reason": reason,
            "verdict": {ACCEPTED: "accepted", REJECTED: "rejected", HOLD: "held"}[verdict],
            "hold": p[14], "crc": two(p, 78), "strange": strange(self.lying["tag"]) if self.lying else None})
        if verdict != ACCEPTED:
            return
        if self.lying and strange(self.lying["tag"]):
            self.violations.append(f"roll {roll}: a recipe for a tag of strange bytes")
        if roll in self.accepted_rolls:
            self.violations.append(f"roll {roll} accepted twice")
        if (session, offer) in self.accepted_offers:
            self.violations.append(f"offer {offer} of session {session} accepted twice")
        self.accepted_rolls[roll] = self.accepted_offers[session, offer] = True

    def on_outcome(self, w):
        self.outcomes.append({
            "out_idx": two(w, 2), "roll_no": two(w, 4), "boot_id": two(w, 6), "req_id": two(w, 8), "epoch": two(w, 10),
            "nonce": two(w, 12), "offer": w[14], "payload_crc": two(w, 17), "life": self.lives,
            "outcome": {1: "wrapped", 2: "wrapped_by_hand", 3: "removed", 4: "aborted", 5: "unknown_after_memory_loss"}[w[15]]})
        if w[15] == WRAPPED and two(w, 4) not in self.accepted_rolls:
            self.violations.append(f"roll {two(w, 4)} wrapped without a recipe")

    def report(self):
        p = self.program
        if self.done() and len(self.outcomes) < self.count:
            self.violations.append(f"{len(self.outcomes)} outcomes of {self.count} rolls")
        return {"rolls": len(self.outcomes), "sessions": self.sessions, "stale": p.stale, "produced": p.produced,
                "acknowledged": p.acked, "lives": self.lives, "judged": self.judged, "outcomes": self.outcomes,
                "history": self.history, "violations": self.violations, "done": self.done()}
