#!/usr/bin/env bash
# The long runs of a night or several, each with one figure: deeper, more or longer than
# .ci/run has time for. What of them ran last, and with which figure, stands in DEVELOPERS.md.
# A run that fails ends none of the others. Needs what .ci/run installs.
# Usage: nightly.sh [pattern of the names to run] [folder for the logs, default nightly]
set -euo pipefail
cd "$(dirname "$0")/../.."
pattern="${1:-.*}" logs="${2:-nightly}" failed=0
mkdir -p "$logs"
logs=$(cd "$logs" && pwd)

# run NAME FIGURE COMMAND... runs a command and prints a row: its name, the lines of its
# output that match FIGURE, and how long it took.
run() {
  local name=$1 figure=$2 code=0 began=$SECONDS
  shift 2
  [[ $name =~ $pattern ]] || return 0
  nice "$@" >"$logs/$name.log" 2>&1 || code=$?
  test "$code" -eq 0 || { failed=$((failed + 1)); echo "FAILED with $code, see $name.log"; }
  printf '| %s | %s | %s s |\n' "$name" \
    "$(grep -E "$figure" "$logs/$name.log" | sed -E 's/^ *([a-z_]+_test\.go:[0-9]+: )?//; s/ +/ /g; s/\|/,/g' | paste -sd ';' | sed 's/;/; /g')" "$((SECONDS - began))"
}

# started ARCHITECTURE EMULATOR wraps a shift with the program of another architecture.
started() {
  local program
  program=$(mktemp)
  CGO_ENABLED=0 GOOS=linux GOARCH=$1 GOARM=7 go build -trimpath -ldflags=-s -o "$program" ./cmd/lapgate
  "${@:2}" "$program" demo --rolls 4 --speed 2000
  rm "$program"
}
export -f started

tests() { go test -count=1 -timeout 0 -v "$@"; }
export -f tests

run model-faults '^model' testdata/model/check.sh "-DF=2 -DEV=1"
run model-gateways '^model' testdata/model/check.sh "-DNGW=2 -DROLLS=1 -DF=2 -DEV=0 -DLAG=0"
run model-by-hand '^model' testdata/model/check.sh "-DBY_HAND -DNGW=2 -DMAXOFF=1 -DROLLS=1 -DF=1 -DEV=1 -DLAG=0"
run model-pair '^model' testdata/model/check.sh "-DPAIR -DNGW=2 -DROLLS=2 -DF=2 -DEV=0 -DLAG=0"
run model-lag '^model' testdata/model/check.sh "-DF=1 -DEV=1 -DLAG=2 -DROLLS=3"
run sequences ' (sequences|requests|rolls|restarts) +[0-9]' bash -c 'tests ./gateway/cycle -run Random -sequences 200000'
run power-cuts 'images bad' bash -c 'tests ./gateway/journal -run PowerCut -images 20000'
run damaged-journals 'unchanged in content' bash -c 'tests ./gateway/journal -run Damaged -damaged 20000'
run edge-draws '^ok' bash -c 'tests ./recipe -edge-draws 1000000'
run bodies '^ok' bash -c 'tests ./recipe/thermal -bodies 400 -draws 60000'
run promise 'bond +stated' bash -c 'tests ./gateway/rehearse -run "GoIsKept|BondAtTheDesignPoint" -promise-rolls 10000 -promise-edge 60'
run process-faults 'sound rolls' bash -c 'tests ./gateway/rehearse -run ProcessFaultsAreNoticed -process-rolls 500'
run calibration 'within twice' bash -c 'tests ./gateway/rehearse -run "CalibrationFindsTheSimulator|CalibrationFindsThePress" -calibrate-seeds 100'
run bad-lines 'polls a second' bash -c 'tests ./gateway -run BadLines -lines 500'
run bad-lines-of-the-daemon 'polls a second' bash -c 'tests ./cmd/lapgate -run BadLines -real-lines 50 -real-time 60s'
run changed-answers 'changed answers' bash -c 'tests ./cmd/lapgate -run MutatedAnswers -mutations 20000'
run stand-ins '^[a-z]+-' testdata/e2e/33-standin-switches.sh --full
run architectures-arm64 '^every roll' bash -c 'started arm64 qemu-aarch64-static'
run architectures-armhf '^every roll' bash -c 'started arm qemu-arm-static'
run architectures-amd64 '^every roll' bash -c 'started amd64 env'
run stand-in-kills 'kills' testdata/e2e/standin-kills.sh 2500 500
run virtual-year 'days of virtual time' bash -c 'tests ./gateway/rehearse/virtual -run VirtualTime -virtual 8760h -artifacts'
run fuzz 'execs' testdata/e2e/fuzz.sh 10m "$logs/fuzz"
run kills ' kills, ' testdata/e2e/21-kill.sh 10000
run takeovers ' tries, | takeovers; ' testdata/e2e/70-pair.sh 30 0
run pair-kills ' kills, ' testdata/e2e/70-pair.sh 0 10000
run shipping 'records in' bash -c 'tests ./gateway/ship -run FaultsOfPostgreSQL -records 1000000 -fault-pause 500ms -folder /dev/shm'
test "$failed" -eq 0 || { echo "$failed runs failed"; exit 1; }
