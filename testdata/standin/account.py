"""Holds a journal against what a stand-in controller says it did.

Usage: account.py SUMMARY RECORDS; the summary is the last line of the file, a
JSON object, the records the output of `lapgate journal list --json`, one a line.
"""

import collections
import json
import sys


def main(summary_file, records_file):
    with open(summary_file, encoding="utf-8") as f:
        summary = json.loads(f.read().strip().splitlines()[-1])
    with open(records_file, encoding="utf-8") as f:
        records = [json.loads(line) for line in f]
    wrong = list(summary["violations"])

    def want(name, got, expected):
        if got != expected:
            wrong.append(f"{name}: the journal has {got}, the controller {expected}")

    outcomes = collections.defaultdict(list)
    verdicts = collections.Counter()
    for r in records:
        if r["kind"] == "OUTCOME":
            outcomes[r["record"]["outcome"]["outcome"]].append(r["roll_no"])
        elif r["kind"] == "VERDICT":
            verdicts[r["record"]["verdict"]] += 1
    numbers = sorted(n for rolls in outcomes.values() for n in rolls)
    want("rolls with an outcome", numbers, list(range(1, summary["rolls"] + 1)))
    for name, word in (("wrapped", "wrapped"), ("by_hand", "wrapped_by_hand"), ("removed", "removed")):
        want(name, len(outcomes[word]), summary[name])
    for name in ("accepted", "rejected", "held"):
        want(name, verdicts[name], summary[name])
    want("acknowledged", len(numbers), summary["acknowledged"])
    if not summary["done"]:
        wrong.append("the shift did not end")
    if summary["accepted"] < summary["rolls"] * 3 // 4 or summary["held"] == 0:
        wrong.append("a shift has recipes for most rolls and a hold for some")

    counts = ", ".join(f"{summary[k]} {k.replace('_', ' ')}" for k in
                       ("rolls", "accepted", "held", "rejected", "wrapped", "removed", "by_hand", "sessions", "stale"))
    print(f"{summary['seconds']} s: {counts}; {len(records)} records in the journal")
    for w in wrong:
        print("wrong:", w)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
