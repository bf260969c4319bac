"""Holds a journal against what a stand-in controller says it did.

Usage: account.py SUMMARY RECORDS; the summary is the last line of the file, a
JSON object, the records the output of `lapgate journal list --json`.
"""

import collections
import json
import sys


def main(summary_file, records_file):
    with open(summary_file, encoding="utf-8") as f:
        summary = json.loads(f.read().strip().splitlines()[-1])
    with open(records_file, encoding="utf-8") as f:
        records = json.load(f)
    wrong = list(summary["violations"])

    def want(name, got, expected):
        if got != expected:
            wrong.append(f"{name}: the journal has {got}, the controller {expected}")

    outcomes = collections.defaultdict(list)
    verdicts = collections.Counter()
    for r in records:
        if r["kind"] == "OUTCOME":
            outcomes[r["record"]["words"][15]].append(r["roll_no"])
        elif r["kind"] == "VERDICT":
            verdicts[r["record"]["verdict"]] += 1
    numbers = sorted(n for rolls in outcomes.values() for n in rolls)
    want("rolls with an outcome", numbers, list(range(1, summary["rolls"] + 1)))
    for name, code in (("wrapped", 1), ("by_hand", 2), ("removed", 3)):
        want(name, len(outcomes[code]), summary[name])
    for name, code in (("accepted", 1), ("rejected", 2), ("held", 3)):
        want(name, verdicts[code], summary[name])
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
