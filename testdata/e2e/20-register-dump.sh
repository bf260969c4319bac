#!/usr/bin/env bash
# Reads a live request off the simulator with an independent Modbus client and
# decodes it from the protocol alone, in another language.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'kill "$sim" 2>/dev/null || true; rm -rf "$work"' EXIT
go build -o "$work/lapgate" ./cmd/lapgate
printf 'roll,diameter (mm),width (mm),grade,core\nE2E-7,1250.4,1602.0,1,1\n' >"$work/rolls.csv"
"$work/lapgate" sim "$work/rolls.csv" --json 2>"$work/address" >"$work/report" &
sim=$!
until address=$(grep -oE '127\.0\.0\.1:[0-9]+' "$work/address"); do
  kill -0 "$sim"
  sleep 0.1
done
for _ in $(seq 1000); do # an answer may come too late for mbpoll, which waits a second
  if mbpoll -m tcp -p "${address##*:}" -a 1 -t 4:hex -0 -r 1000 -c 96 -1 -q "${address%%:*}" >"$work/dump" &&
    python3 testdata/e2e/decode_request.py "$work/dump" tag=E2E-7 diameter_mm=1250.4 width_mm=1602.0; then exit 0; fi
  sleep 0.1
done
echo "no request of the roll was seen"
cat "$work/dump"
exit 1
