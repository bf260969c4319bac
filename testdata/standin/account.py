"""Holds a journal, and what the daemon said, against the ledger of a stand-in
controller.

Usage: account.py LEDGER RECORDS LOG [+CODE] [~CODE] [held>=N] …

The ledger is the last line of the file, a JSON object; the records are the
output of `lapgate journal list --json`; the log is that of the daemon as JSON
lines. +CODE must have been told, ~CODE may have been, ~* any; any other warning
or alarm is wrong, but for those of an ordinary shift. accepted>=N, held>=N and
steps>=N, which are the steps that were refused, are least counts.
"""

import collections
import json
import re
import sys

# The link is down when the stand-in has ended.
ORDINARY = {"offer-held", "scale-mismatch", "link-down", "holds-unknown"}  # the last at the start of a journal


def lines(file):
    with open(file, encoding="utf-8") as f:
        for line in f:
            if line.startswith("{"):
                yield json.loads(line)


class Account:
    """What is wrong between a ledger and a journal."""

    def __init__(self, ledger, records):
        self.ledger, self.records = ledger, list(records)
        self.wrong = list(ledger["violations"])
        self.counts = collections.Counter(r["kind"] for r in self.records)
        if not ledger["done"]:
            self.wrong.append("the shift did not end")

    def offers(self, kind):
        for r in self.records:
            if r["kind"] == kind:
                o = r["record"]["offer"]
                yield (o["session"]["epoch"], o["session"]["nonce"], o["offer"]), r

    def verdicts(self):
        """Each judgement of the controller against VERDICT and VOID."""
        judged = {(j["epoch"], j["nonce"], j["offer"]): j for j in self.ledger["judged"]}
        said, void = collections.defaultdict(list), {}
        for name, r in self.offers("VERDICT"):
            said[name].append(r["record"]["verdict"])
            if name not in judged:
                self.wrong.append(f"roll {r['roll_no']}: the journal has a verdict on offer {name}, the controller has not")
        for name, r in self.offers("VOID"):
            void[name] = r["record"].get("evidence", "")
        for name, j in judged.items():
            if name in void and j["verdict"] != "rejected":
                self.wrong.append(f"roll {j['roll']}: offer {name} was {j['verdict']}, the journal says void: {void[name]}")
            elif name not in void and said[name] != [j["verdict"]] and not (said[name] == [] and self.unknown(name)):
                self.wrong.append(f"roll {j['roll']}: offer {name} was {j['verdict']}, the journal says {said[name]}")
        for name, j in judged.items():
            if j["strange"] is not None and j["verdict"] == "held" and j["strange"] != (j["hold"] == 12):
                self.wrong.append(f"roll {j['roll']}: held for reason {j['hold']}, its tag has {'strange' if j['strange'] else 'no strange'} bytes")
        for name, r in self.offers("INTENT"):
            j = judged.get(name)
            if j and j["roll"] != r["roll_no"]:
                self.wrong.append(f"offer {name} is of roll {r['roll_no']} in the journal, of {j['roll']} at the controller")
        self.counts.update(j["verdict"] for j in judged.values())

    def unknown(self, name):
        """Whether the journal closed the offer as unknown: with a loss of memory."""
        self.counts["closed unknown"] += 1
        return self.ledger["lives"] > 0

    def outcomes(self):
        """Each outcome of the controller is in the journal once, as it is there,
        but for those that a loss of memory took before they were read."""
        fields = ("out_idx", "roll_no", "boot_id", "req_id", "epoch", "nonce", "offer", "payload_crc", "outcome")
        key = lambda o: tuple(o.get(f, 0) for f in fields)
        known = collections.Counter(key(r["record"]["outcome"]) for r in self.records if r["kind"] == "OUTCOME")
        produced = collections.Counter(key(o) for o in self.ledger["outcomes"])
        for o in known - produced:
            self.wrong.append(f"the journal has an outcome that the controller has not: {dict(zip(fields, o))}")
        lost = {key(o) for o in self.ledger["outcomes"] if o["life"] < self.ledger["lives"]}
        for o in produced - known:
            if o in lost and self.counts["GAP"]:
                self.counts["lost"] += 1
            else:
                self.wrong.append(f"the journal lacks an outcome: {dict(zip(fields, o))}")
        self.counts.update(o["outcome"] for o in self.ledger["outcomes"])

    def told(self, log, wanted):
        codes = collections.Counter()
        for e in log:
            if "code" in e and (e["level"] != "info" or "+" + e["code"] in wanted):
                codes[e["code"]] += 1
        for w in wanted:
            least = re.fullmatch(r"(\w+)>=(\d+)", w)
            if least and self.counts[least[1]] < int(least[2]):
                self.wrong.append(f"{self.counts[least[1]]} {least[1]}, want {least[2]} or more")
            if w[0] == "+" and not codes[w[1:]]:
                self.wrong.append(f"{w[1:]} was not told")
        for code in codes:
            if "~*" not in wanted and code not in ORDINARY and "+" + code not in wanted and "~" + code not in wanted:
                self.wrong.append(f"{code} was told {codes[code]} times")
        return {c: n for c, n in sorted(codes.items()) if c not in ORDINARY}


def main(ledger_file, records_file, log_file, *wanted):
    with open(ledger_file, encoding="utf-8") as f:
        ledger = json.loads(f.read().strip().splitlines()[-1])
    account = Account(ledger, lines(records_file))
    account.counts["steps"] = len(ledger["refused"])
    account.verdicts()
    account.outcomes()
    told = account.told(lines(log_file), wanted)
    if ledger["acknowledged"] != ledger["produced"]:
        account.wrong.append(f"{ledger['acknowledged']} of {ledger['produced']} outcomes acknowledged")

    c, refused = account.counts, ledger["refused"]
    words = ("accepted", "held", "rejected", "wrapped", "wrapped_by_hand", "removed", "aborted", "unknown_after_memory_loss", "closed unknown", "VOID", "GAP", "lost")
    print(f"{ledger['seconds']} s, {ledger['rolls']} rolls, {ledger['sessions']} sessions, "
          + ", ".join(f"{c[w]} {w.lower().replace('_', ' ')}" for w in words if c[w])
          + f", {ledger['stale']} stale" * bool(ledger["stale"]) + f", {sum(refused.values())} refused at {len(refused)} steps" * bool(refused)
          + "".join(f"; {code} {n}" for code, n in told.items()))
    for w in account.wrong:
        print("wrong:", w)
    return 1 if account.wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
