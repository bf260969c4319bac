#!/usr/bin/env bash
# Wraps the made-up shift without faults and with each named fault, keeps each
# journal, verifies it with the command of its own, and replays it through its
# own configuration, which changes nothing.
# Usage: 10-demo.sh [rolls of a shift with a fault, default 12]
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
go build -o "$work/lapgate" ./cmd/lapgate
export work rolls="${1:-12}"

"$work/lapgate" demo --journal "$work/plain" | tail -n 5
"$work/lapgate" journal verify "$work"/plain/*.db
"$work/lapgate" replay "$work/plain/north.db" --config configs/demo.yaml | grep -E '^ *changed +0$'

shift_with() {
  "$work/lapgate" demo --fault "$1" --seed 3 --speed 1000 --rolls "$rolls" --journal "$work/$1" >"$work/$1.out" 2>&1 &&
    "$work/lapgate" replay "$work/$1/north.db" --config configs/demo.yaml >>"$work/$1.out" 2>&1 &&
    "$work/lapgate" journal verify "$work/$1"/*.db >>"$work/$1.out" 2>&1 ||
    { echo "fault $1 failed"; cat "$work/$1.out"; return 1; }
  echo "fault $1: $(grep '^every roll' "$work/$1.out")"
}
export -f shift_with
faults=$("$work/lapgate" demo --fault help --csv | tail -n +2 | cut -d, -f1)
test "$(wc -w <<<"$faults")" -ge 8
# A shift waits for the times of the handshake: the processors serve several.
printf '%s\n' $faults all | xargs -P 6 -I{} bash -c 'shift_with {}'
