#!/usr/bin/env bash
# Shifts on both stand-ins under each of their switches, see switches.py: the
# journal is sound and equal to the controller's ledger, no offer that was used
# is void, and what was told is what was to be told.
# Usage: 33-standin-switches.sh [--full] [ROWS]
# Without a flag 8 rolls and the rows of CI, with it 40 rolls and every row. ROWS
# is a pattern of the rows to run, as 'modbus lag.*'.
source "$(dirname "$0")/standin.sh"
rolls=8 full=
if test "${1:-}" = --full; then
  rolls=40 full=1
  shift
fi

# A row: link, switch, what is to be told (+) and may be told (~). + instead of -
# before the link: only in the full matrix. A refusal ends a session or is
# repeated, as its class tells.
rows() {
  local n link code
  for link in modbus opcua; do
    cat <<ROWS
- $link plain
- $link no-limits
+ $link lag=1 ~result-lags
- $link lag=3 ~result-lags
+ $link lag=5 +result-lags
- $link lag=10 +result-lags
+ $link lag-phase=1
+ $link lag-phase=5
- $link lag-phase=10
- $link verdict-0 ~result-lags
- $link floor +epoch-bound +memory-lost +journal-gap
- $link tags
- $link strict ~payload-unread
- $link roll-once ~view-false
- $link produced-once ~view-false
- $link roll-back +roll-number-back ~controller-contradicts
- $link taken ~offer-rejected
- $link abort
- $link restart +controller-restarted
- $link memory-loss +memory-lost +journal-gap
- $link operator ~offer-rejected
ROWS
  done
  echo "- modbus unwritten=noise"
  echo "- opcua unwritten=bad"
  echo "- opcua unwritten=waiting"
  for code in 1 2 3 4 5 6 8 10 11; do
    case $code in 2 | 4 | 6) n=- ;; *) n=+ ;; esac
    echo "$n modbus refuse=$code steps>=8 ~controller-refuses"
  done
  for code in BadInternalError BadUserAccessDenied BadNotReadable BadNotWritable BadOutOfService BadDeviceFailure \
    BadNodeIdUnknown BadTimeout BadTooManyOperations BadResourceUnavailable; do
    case $code in BadInternalError | BadUserAccessDenied) n=- ;; *) n=+ ;; esac
    echo "$n opcua refuse=$code steps>=8 ~controller-refuses ~invalid-read ~outcome-unreadable"
  done
}

# stood NAME tells whether the machine was too busy for a shift, of which nothing is wrong but
# what was told: its controller stood, or the link broke before the stand-in ended it.
stood() {
  grep -qE '^wrong: .* was told [0-9]+ times$' "$work/row-$1" || return
  ! grep '^wrong: ' "$work/row-$1" | grep -qvE ' was told [0-9]+ times$' || return
  grep -q '"code":"controller-stands"' "$work/daemon-$1.log" ||
    test "$(grep -c '"code":"link-down"' "$work/daemon-$1.log")" -gt 1
}

# row LINE runs one row and prints one line of it. A shift for which the machine was too busy
# says nothing of its switch: it is run again, twice at most.
row() {
  local line over switch name again=0
  read -ra line <<<"$1"
  over=${line[1]} switch=${line[2]} name="${line[1]}-${line[2]}"
  until "${over}_standin" "$name" --rolls "$rolls" --limit 240 $(test "$switch" = plain || echo --switch "$switch") &&
    shift_of "$name" "${line[@]:3}" >"$work/row-$name"; do
    again=$((again + 1))
    if test "$again" -gt 2 || ! stood "$name"; then
      printf 'FAILED %s %s: %s\n' "$over" "$switch" "$(cat "$work/row-$name" && tail -n 20 "$work"/*"-$name.log")"
      test -z "${LAPGATE_KEEP:-}" || { mkdir -p "$LAPGATE_KEEP" && cp -r "$work"/*"-$name"* "$LAPGATE_KEEP"; }
      return 1
    fi
    rm -r "$work"/*"-$name" "$work"/*"-$name".*
  done
  printf '%s %s: %s\n' "$over" "$switch" "$(cat "$work/row-$name")"
  rm "$work"/*"-$name.log" # what is left is told when a row fails
}

# limits LINK holds the configuration against LIMITS of a stand-in before anything
# is offered: it lies inside them, but for the narrow one.
limits() {
  local switch want
  for switch in abort narrow-limits; do
    "$1_standin" "limits-$1" --rolls 1 --limit 600 --switch "$switch"
    until "$work/lapgate" check --online --config configs/demo.yaml "${link[@]}" >"$work/limits" 2>&1 ||
      ! grep -q '^controller not reachable' "$work/limits"; do kill -0 "$standin"; done # on a busy machine it looks anew
    kill -KILL "$standin"
    wait "$standin" 2>/dev/null || true
    want='^ok +limits of the controller '
    test "$switch" = abort || want='^FAIL +limit of header temperature '
    if ! grep -qE "$want" "$work/limits" || test "$(grep -cE '^FAIL +limit ' "$work/limits")" -gt 1; then
      cat "$work/limits"
      return 1
    fi
  done
  echo "$1: of the limits of the configuration the one that is wider than the controller's is told, and no other"
}

# The first stand-in over OPC UA makes the certificates that all of them use.
opcua_standin first --rolls 0
wait "$standin"
limits modbus
limits opcua
failed=0 running=0
while read -r line; do
  while test "$running" -ge 4; do # they mostly wait
    wait -n || failed=$((failed + 1))
    running=$((running - 1))
  done
  beside row "$line"
  running=$((running + 1))
done < <(rows | grep -E "^(${full:+[+]|}-) ${1:-.*}( |\$)" || true)
while test "$running" -gt 0; do
  wait -n || failed=$((failed + 1))
  running=$((running - 1))
done
test "$failed" -eq 0 || { echo "$failed shifts failed"; exit 1; }
