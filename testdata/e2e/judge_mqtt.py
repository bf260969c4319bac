"""Holds what a receiver of the published events got against the export of the journal.

Usage: judge_mqtt.py EXPORT RECEIVED, the second with one message a line, topic first.
Prints what it counted, and ends with 1 where an event is missing, out of order, doubled
in a way that cannot be dropped, or says something else than its record.
"""
import collections
import json
import sys

EVENTS = {"OUTCOME": "roll", "GAP": "gap", "HOLD": "hold-all", "ALARM": "condition", "PUBLISHED": "head"}
HOLD = 2  # kind of a payload


def event(record):
    body = record["body"]
    if record["kind"] == "INTENT" and body["kind"] in (HOLD, "hold"):
        return "hold"
    if record["kind"] == "SHADOW" and body["verdict"] == "hold":
        return "hold"
    return EVENTS.get(record["kind"])


def main():
    records = {}
    with open(sys.argv[1], encoding="utf-8") as export:
        for line in export:
            record = json.loads(line)
            records[record["seq"]] = record
    expected = [n for n in sorted(records) if event(records[n])]
    problems, taken, repeats = [], [], 0
    payloads, journals = {}, set()
    with open(sys.argv[2], encoding="utf-8") as received:
        for line in received:
            topic, text = line.rstrip("\n").split(" ", 1)
            message = json.loads(text)
            n, journal = message["sequence"], message["journal"]
            journals.add(journal)
            if taken and n <= taken[-1]:
                repeats += 1
                if payloads.get(n) != text:
                    problems.append(f"record {n} came again and said something else")
                continue
            taken.append(n)
            payloads[n] = text
            record = records.get(n, {"kind": "none", "body": {}})
            if event(record) != message["event"] or topic != f"mill/north/{message['event']}":
                problems.append(f"record {n} is {record['kind']}, and came as {message['event']} by {topic}")
            if record.get("roll_no", 0) != message.get("roll_no", 0):
                problems.append(f"record {n} is about another roll")
            if message["event"] == "head" and message["head"] != record["hash"]:
                problems.append(f"record {n}: the head is another")
    if taken != expected:
        missing = sorted(set(expected) - set(taken))
        problems.append(f"of {len(expected)} events {len(taken)} came in order; missing: {missing}")
    if len(journals) != 1:
        problems.append(f"{len(journals)} identities of one journal")
    counts = collections.Counter(event(records[n]) for n in expected)
    if not counts["roll"] or not counts["hold"] or not counts["condition"] or not counts["head"]:
        problems.append(f"the shift had not every kind of event: {dict(counts)}")
    if not repeats:
        problems.append("nothing came again, so that dropping repeats was not tried")
    for problem in problems:
        print(problem)
    print(f"{len(expected)} events in order ({', '.join(f'{v} {k}' for k, v in sorted(counts.items()))}), {repeats} repeats dropped")
    sys.exit(1 if problems else 0)


main()
