#!/usr/bin/env bash
# The day on which a line is put into service: a configuration from ten answers, its
# controller looked for, what is open measured, shadow beside operators who wrap by hand,
# what they used compared with what lapgate would have, a setting corrected by it, the
# line armed for five rolls, and the report of the day. The controller is the simulator's.
# Usage: 60-commissioning.sh [folder that is to keep the report]
kept="${1:+$(realpath "$1")}"
source "$(dirname "$0")/standin.sh"
source testdata/e2e/mill.sh
mill=$work/mill.yaml

# The mill's engineer answers the questions at the desk.
does init "$mill" "${answers[@]}" --controller 192.0.2.11:502
told "ten answers make a configuration" 0 'wrote .*mill.yaml: line rowan, 40 values to be measured' 'next: lapgate check .*mill.yaml'
does check "$mill"
told "what is open is listed" 5 'papers.0.caliper: not measured yet, 0.012 in stands in' 'or ten layers pressed as they are wound' \
  'Lock out and tag out before reaching in' 'no line may be armed before 40 open values are measured'
test "$(grep -c '^open: ' "$work/told")" = 40

# The line as it truly is, with people who wrap by hand whatever comes.
cp "$mill" "$work/true.yaml"
measured "$work/true.yaml"
{
  echo 'roll,diameter (in),width (in),grade,core'
  for i in {100..199}; do # more than any of this takes
    case $((i % 3)) in 0) echo "R-$i,45,48.5,1,1" ;; 1) echo "R-$i,50,33.5,2,1" ;; 2) echo "R-$i,40,64.25,1,1" ;; esac
  done
} >"$work/rolls.csv"
start sim "$work/lapgate" sim "$work/rolls.csv" --config "$work/true.yaml" --shadow --speed 100
sim=$pid
address=$(await "$work/sim.out" 'modbus-tcp (.*)' "$sim")

# Where its controller has the blocks nobody wrote down.
does probe scan "$address"
told "nothing is read before somebody agrees" 2 'Reads too can disturb a controller' 'nothing was read: without a terminal a scan needs --yes'
does probe scan "$address" --yes
told "the blocks are found" 0 'at most 5 requests a second' 'unit 1, holding registers, base 1000 \(41001\)' 'REQ 1000 decodes' 'request: 1000 outcomes: 1200 # empty, so not proved'
sed -i '/^    controller:$/,$d' "$mill"
sed -nE '/^    controller:$/,$ { /^     /p; /^    controller:$/p }' "$work/told" >>"$mill"
grep -q "address: \"$address\"" "$mill"

start daemon "$work/lapgate" run --config "$mill" --set status.listen=none
daemon=$pid
logged 'roll 1 left the station: wrapped by hand'
does status --config "$mill"
until grep -q 'would be held' "$work/told"; do does status --config "$mill"; done # between two rolls the station is empty
told "with open values every roll would be held" 0 'Shadow, nothing is written' 'In shadow this roll would be held: the configuration leaves a value open' 'code +value-open'
does arm --config "$mill" --by "Kim Berg" --reason "put into service" --rolls 5
told "with open values nobody arms it" 5 'it stays in shadow until these values are measured and written in place of open' 'mill.yaml:[0-9]+: lines.0.header.conductance: 150 W/m2K stands in; press a head with a thermocouple'

measured "$mill"
does reload --config "$mill" --by "Kim Berg"
told "what was measured lifts a hold, and asks" 2 'was to be held \(value-open.*\), and would go' 'the configuration in force stays'
does reload --config "$mill" --by "Kim Berg" --yes
held=$(grep -c 'left the station: ' "$work/daemon.log") # so many have left, and the next may have been held too
told "what was measured is in force" 0 'papers.0.caliper: open -> 0.0112 in' 'papers.0.basis_weight: open -> 38.9151 lb/1000ft2' 'in force from the next roll on'
does check "$mill" --online
told "nothing is open, and the controller is as configured" 0 'mill.yaml: valid, 1 line, 1 warning' 'block REQ +96 registers' 'conductance of line rowan never measured'
! grep -qE '^(open|wrong)' "$work/told" || { cat "$work/told"; exit 1; }

# compared ROLLS FLAG... compares the rolls that were measured from now on, as soon as
# there are so many.
compared() {
  local rolls=$1 since
  shift
  since=$(date -u +%FT%T.%NZ)
  until test "$(sed -nE 's/^compared +//p' "$work/told")" -ge "$rolls" 2>/dev/null; do
    kill -0 "$sim" && kill -0 "$daemon"
    sleep 0.3
    does compare "$work/journal/rowan.db" --config "$mill" --since "$since" "$@"
  done
}

compared 2
told "the press is held longer than the operators do" 5 'wrapped though we would have held them +0 ' 'header dwell +[0-9]+ +-[23][0-9.]+ s .* 0.5 s +[1-9]' 'overlap .* 0.984 in +0 '
# The uncertainty that stood in for that of the thermocouple asked for a margin.
bonded "$mill"
does reload --config "$mill" --by "Kim Berg" --yes
told "the uncertainty of the thermocouple is in force" 0 'header.conductance_uncertainty: 96 W/m2K -> 25.6 W/m2K' 'header.conductance_measured.by: nothing -> Kim Berg'
compared 3 --tolerance 'header_dwell=2 s'
told "what the operators use is what lapgate would" 0 'wrapped though we would have held them +0 ' 'rolls that differ by more than a tolerance +0 '

does arm --config "$mill" --by "Kim Berg" --reason "put into service" --rolls 5
told "the line is armed for five rolls" 0 'rowan.*, for 5 rolls'
logged 'the line is in shadow until somebody arms it: it was armed by Kim Berg for 5 rolls'
logged 'roll [0-9]+ \(R-[0-9]+\) waits for its recipe'
does status --config "$mill"
told "after five rolls it is in shadow" 0 'Shadow, nothing is written, by lapgate since .*: it was armed by Kim Berg for 5 rolls'
before=$(grep -c 'left the station: wrapped by hand' "$work/daemon.log")
until test "$(grep -c 'left the station: wrapped by hand' "$work/daemon.log")" -gt "$before"; do
  kill -0 "$sim" && kill -0 "$daemon"
  sleep 0.1
done
kill "$daemon"
wait "$daemon"
kill "$sim"

# What the journal holds in the end.
does journal verify "$work/journal/rowan.db"
told "the journal is sound" 0 'verdict +sound'
does journal changes "$work/journal/rowan.db"
told "who did what" 0 'Kim Berg \(user .*\) changed papers.0.caliper from open to 0.0112 in' 'Kim Berg \(user .*\) changed lines.0.header.conductance_measured.by from nothing to Kim Berg' \
  'Kim Berg \(user .*\) armed the line: put into service' 'lapgate put the line into shadow: it was armed by Kim Berg for 5 rolls'
lapgate journal export "$work/journal/rowan.db" --format csv --config "$mill" 2>/dev/null >"$work/export.csv"
python3 - "$work/export.csv" "$held" <<'PY'
import csv, sys
rolls = list(csv.DictReader(open(sys.argv[1])))
armed = [i for i, r in enumerate(rolls) if r["mode"] == "offered"]
if armed != list(range(armed[0], armed[0] + 5)) or armed[-1] == len(rolls) - 1:
    sys.exit(f"written to for the rolls {armed} of {len(rolls)}, want five on end and shadow behind them")
for i, r in enumerate(rolls):
    if not r["mode"] and i < armed[0]:
        continue  # it left before the daemon had looked at its request
    want = ("offered", "wrapped") if i in armed else ("shadow", "wrapped_by_hand")
    if (r["mode"], r["outcome"]) != want:
        sys.exit(f"roll {r['number']} is {r['mode']}, {r['outcome']}, want {want}")
    if i in armed and (r["last verdict"] != "go" or r["holds"]):
        sys.exit(f"roll {r['number']} is {r['last verdict']}, held for {r['holds']!r}")
    if r["holds"] and i > int(sys.argv[2]):
        sys.exit(f"roll {r['number']} was held for {r['holds']} after all was measured")
print(f"{len(rolls)} rolls, five of them by recipe, the others by hand")
PY

does report --config "$mill" --html "$work/day.html"
told "the report of the day" 0 'wrapped +5 ' 'wrapped by hand +[1-9][0-9]* ' 'value-open +[1-9][0-9]* ' 'armed +- +Kim Berg'
cmp "$work/day.csv" "$work/export.csv"
for words in 'Shift report, line rowan' 'Who let the line be written to' 'put into service' 'lines.0.header.conductance_measured.by'; do
  grep -q "$words" "$work/day.html" || { echo "the page does not say: $words"; exit 1; }
done
test -z "$kept" || cp "$work"/day.* "$kept"
