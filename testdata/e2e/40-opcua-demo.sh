#!/usr/bin/env bash
# Wraps shifts over OPC UA, encrypted and with a user name: one without faults,
# and one with each fault of the network and of the register image.
# Usage: 40-opcua-demo.sh [rolls of a shift with faults, default 12]
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
go build -o "$work/lapgate" ./cmd/lapgate
export work rolls="${1:-12}"

"$work/lapgate" demo --transport opcua --journal "$work/plain" | tail -n 5
"$work/lapgate" journal verify "$work"/plain/*.db

shift_with() {
  "$work/lapgate" demo --transport opcua --fault "$1" --seed 3 --speed 1000 --rolls "$rolls" --journal "$work/$1" >"$work/$1.out" 2>&1 &&
    grep -q 'occurred [1-9]' "$work/$1.out" ||
    { echo "fault $1 failed"; cat "$work/$1.out"; return 1; }
  echo "$(grep 'occurred' "$work/$1.out" | paste -sd '; '): $(tail -n 1 "$work/$1.out")"
}
export -f shift_with
printf '%s\n' link-cut black-hole late-reply torn-block lost-commit ack-lost duplicate-write controller-restart-cleared |
  xargs -P 4 -I{} bash -c 'shift_with {}'
