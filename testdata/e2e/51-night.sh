#!/usr/bin/env bash
# A night shift at a line whose stand was hung with another wrapper than the
# configuration says: what a person is told at each step, from the held roll to the
# wrapper that is hung, with a typo, a wrong unit, a reload that asks, a replay, and an
# alarm that is acknowledged.
source "$(dirname "$0")/standin.sh"
mill=$work/mill.yaml

# The line is that of the demonstration, and so is what truly hangs. The configuration
# takes the wrapper of slot 4 for one of 52 in, and wants to know early what runs out.
printf '%s\n' 'roll,diameter (in),width (in),grade,core' N-101,45,48.5,1,1 N-102,45,33.2,1,1 N-103,45,48.4,1,1 N-104,45,60.2,1,1 >"$work/rolls.csv"
start sim "$work/lapgate" sim "$work/rolls.csv" --config configs/demo.yaml --speed 20
sim=$pid
address=$(await "$work/sim.out" 'modbus-tcp (.*)' "$sim")
sed -e "s/127.0.0.1:1502/$address/" -e "s#directory: journal#directory: $work/journal#" \
  -e 's/{number: 4, width: 60 in, paper: kraft-poly}/{number: 4, width: 52 in, paper: kraft-poly, widths: [52 in, 60 in]}/' \
  -e 's/      reserve: 15 ft/      warn_rolls: 300\n&/' configs/demo.yaml >"$mill"
start daemon "$work/lapgate" run --config "$mill" --set status.listen=none
daemon=$pid
armed "$work/journal/control.sock" "$daemon"

logged 'roll 1 is held: no wrapper fits'
does status --config "$mill"
until grep -q 'Roll held' "$work/told"; do does status --config "$mill"; done # between two tries it waits
told "a roll is held, and the page says what to do" 0 'Roll held: no slot of the stand has a wrapper' \
  'Hang kraft-poly, 55.[0-9] to 61.[0-9] in wide, in slot 4, telling it first with lapgate hang --slot 4, then press retry' 'slot 4 \(52 in\) too narrow' 'overhead is a load that can kill'
does hang --config "$mill" --slot 4 --width 60 --paper kraft-poly --by "Lee Moran" --yes
told "a width without its unit" 2 'width: bare number where a unit is needed \(got "60", want a length with its unit\)' '--width "?60' '1 problem'
does hang --config "$mill" --slot 4 --width "60 in" --paper kraft-poly --by "Lee Moran" --yes
told "the wrapper is told" 0 'CAUTION. A wrapper roll overhead is a load that can kill' 'slot 4, act 1 is recorded' 'the next roll on it asks for a confirmation'
logged 'wrapper-hung'

logged 'roll 1 is held: this is the first roll on the wrapper that was hung in slot 4'
code=1
until test "$code" = 0; do # the word is for one request, and the operator tries again meanwhile
  does confirm --config "$mill" --roll 1 --finding new-wrapper --by "Lee Moran" --yes
  ! grep -q 'roll 1 left' "$work/daemon.log" || { echo "nobody could confirm what hangs"; exit 1; }
done
told "the first roll on it is confirmed" 0 'read on the wrapper roll that it is 60 in of "kraft-poly"' 'the word of Lee Moran counts (once: press retry|for this request alone)'
until grep -q 'roll 1: the controller accepted the recipe' "$work/daemon.log"; do
  does confirm --config "$mill" --roll 1 --finding new-wrapper --by "Lee Moran" --yes
  ! grep -q 'roll 1 left' "$work/daemon.log" || { echo "nobody could confirm what hangs"; exit 1; }
  sleep 0.3
done
grep -qE 'after this roll slot 4 lasts for ([0-9]+|no) more rolls? like it; have the next wrapper roll ready, and tell with lapgate hang --slot 4' "$work/daemon.log" ||
  { echo "nobody was told in time what runs out"; exit 1; }
echo "what runs out is told in time"

does alarms --config "$mill" --line north
told "an alarm calls" 5 'wrapper-runs-out/slot 4 +low +unacknowledged' 'Have the next wrapper roll ready'
does alarms ack wrapper-runs-out/slot --config "$mill" --by "Lee Moran"
test "$code" != 0 || { echo "an alarm that is none was acknowledged"; exit 1; }
does alarms ack "wrapper-runs-out/slot 4" --config "$mill" --by "Lee Moran"
told "it is acknowledged" 0 'acknowledged'
does alarms --config "$mill" --line north --csv
grep -q 'wrapper-runs-out/slot 4,low,acknowledged,.*Lee Moran' "$work/told" || { echo "nobody acknowledged it"; cat "$work/told"; exit 1; }

does stauts --config "$mill"
told "a command mistyped" 2 'unknown command "stauts"' 'did you mean status\?'
does why N-1O1 --config "$mill"
told "a tag mistyped" 1 'tells of no roll "N-1O1"; did you mean N-101\?'
does why N-101 --config "$mill"
told "why the roll was held" 0 'verdict +go' 'written: a hold, no slot of the stand has a wrapper for the roll' 'act 1 at slot 4: hangs 60 in of kraft-poly, by Lee Moran' 'Lee Moran confirmed'

# The configuration is to say what hangs: first with a wrong unit.
sed -i 's/width: 52 in, paper: kraft-poly, widths: \[52 in, 60 in\]/width: 60 lb, paper: kraft-poly/' "$mill"
does reload --config "$mill" --by "Kim Berg"
told "a wrong unit" 3 'mill.yaml:[0-9]+:[0-9]+: lines.0.stand.slots.3.width: unit of another dimension \(got "60 lb"' 'width: 60 lb \^ 1 problem'
sed -i 's/width: 60 lb/width: 60 in/' "$mill"
does reload --config "$mill" --by "Kim Berg"
told "a reload that asks" 2 "roll 1 N-101 was to be held \\(no-slot\\), and would go" "the configuration in force stays: without a terminal what the daemon asks needs --yes"
does reload --config "$mill" --by "Kim Berg" --yes
told "a reload that is accepted" 0 'lines.0.stand.slots.3.width' '52 in.*60 in'

wait "$sim" || { echo "the shift failed"; cat "$work/sim.log"; exit 1; }
kill "$daemon"
wait "$daemon"
does journal verify "$work/journal/north.db"
told "the journal is sound" 0 'verdict +sound'
does replay "$work/journal/north.db" --config "$mill"
told "a replay tells what changed with it" 5 'new holds +0' 'lifted holds +[1-9]'
does journal changes "$work/journal/north.db"
told "who did what" 0 'Lee Moran' 'Kim Berg'
