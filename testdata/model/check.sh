#!/bin/bash
# Checks handshake.pml with Spin, then takes its guards out one at a time: Spin must find each time that the guarantee
# named beside the guard is broken, and no other. Needs spin and gcc; some two and a half minutes on one core.
# Usage: check.sh [model flags]. Without flags: the bounds below. With flags, one run of the model deeper, no mutants:
#   check.sh "-DF=2 -DEV=1"    check.sh "-DNGW=2 -DROLLS=1 -DF=2 -DEV=0 -DLAG=0"    check.sh "-DF=1 -DEV=1 -DLAG=2 -DROLLS=3"
# -DBY_HAND has a person take the line over although the other lives, in place of a standby whose lease stood still.
# -DPAIR offers nothing, and has the faults of machines, lease and store alone: what two journals and a store hold.
#   check.sh "-DPAIR -DNGW=2 -DROLLS=2 -DF=2 -DEV=0 -DLAG=0"
#   check.sh "-DBY_HAND -DNGW=2 -DMAXOFF=1 -DROLLS=1 -DF=1 -DEV=1 -DLAG=0"
set -u
model=$(cd "$(dirname "$0")" && pwd)/handshake.pml
work=$(mktemp -d); trap 'rm -rf "$work"' EXIT; cd "$work" || exit 2
opt=-O2 limit=${SECONDS_PER_RUN:-600} memory=${MEGABYTES:-8000}

run() { # flags of the model, of the compiler, of the checker -> sets states, depth, broke ("none", a guarantee, or a complaint)
  local start=$EPOCHREALTIME
  rm -f pan* ./*.trail
  # shellcheck disable=SC2086
  spin $1 -a "$model" >spin.log 2>&1 && gcc $opt -DCOLLAPSE -DMEMLIM="$memory" -w $2 -o pan pan.c || { cat spin.log; exit 2; }
  # shellcheck disable=SC2086
  timeout "$limit" ./pan -m3000000 -w24 $3 >pan.log 2>&1
  local rc=$?
  states=$(sed -n 's/^ *\([0-9.e+]*\) states, stored.*/\1/p' pan.log)
  depth=$(sed -n 's/.*depth reached \([0-9]*\).*/\1/p' pan.log)
  case $(sed -n 's/.*errors: \([0-9]*\).*/\1/p' pan.log) in
    0) broke=none ;;
    1) broke=$(sed -n 's/^pan:1: assertion violated (\([SL][0-9]*\)&&.*/\1/p' pan.log)
       grep -q '^pan:1: acceptance cycle' pan.log && broke=L2
       broke=${broke:-"nothing that has a name: $(grep -m1 '^pan:1' pan.log)"} ;;
    *) broke="not finished (exit $rc)" ;;
  esac
  grep -q 'search depth too small' pan.log && broke="not finished (search depth)"
  took=$(awk "BEGIN { printf \"%.1f\", $EPOCHREALTIME - $start }")
}

bad=0
sound() { # what, then as run
  run "$2" "$3" "${4:-}"
  echo "$1 ($2): states ${states:-?}, depth ${depth:-?}, $took s, broken: $broke"
  [ "$broke" = none ] || bad=1
}
safe="-DSAFETY -DNOFAIR -DNOCLAIM"
if [ $# -gt 0 ]; then sound model "$1" "$safe"; exit $bad; fi
sound "one gateway" "-DF=1 -DEV=1" "$safe"
sound "one gateway, ring of two" "-DRCAP=2 -DF=1 -DEV=1" "$safe"
sound "two gateways" "-DNGW=2 -DMAXOFF=3 -DF=1 -DEV=0" "$safe"
sound "two gateways, one offer a session, one roll" "-DNGW=2 -DMAXOFF=1 -DROLLS=1 -DF=1 -DEV=1 -DLAG=0" "$safe"
sound "two gateways, taken over by hand, one offer a session, one roll" "-DBY_HAND -DNGW=2 -DMAXOFF=1 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0" "$safe"
sound "two journals and a store, three rolls" "-DPAIR -DNGW=2 -DROLLS=3 -DF=1 -DEV=0 -DLAG=0" "$safe"
live="-DNFAIR=3" fair="-a -f"
sound "one gateway, L2 under weak fairness" "-DNO_MONITOR -DF=1 -DEV=0" "$live" "$fair"
sound "two gateways, L2 under weak fairness, one roll" "-DNO_MONITOR -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0" "$live" "$fair"

opt=-O0 total=0 named=0
while read -r guard guarantee flags; do
  case $guarantee in
    L2) run "-DM_$guard -DNO_MONITOR $flags" "$live" "$fair" ;;
    *) run "-DM_$guard $flags" "$safe" "" ;;
  esac
  total=$((total + 1))
  if [ "$broke" = "$guarantee" ]; then named=$((named + 1)); else bad=1; broke="$broke, WANT $guarantee"; fi
  printf '%-15s %-4s (%s): states %s, depth %s, %s s\n' "$guard" "$broke" "$flags" "${states:-?}" "${depth:-?}" "$took"
done <<'MUTANTS'
LATCH_TOKEN     S1  -DF=0 -DEV=1
TOKEN           S1  -DF=0 -DEV=1
READ_CRC        S1  -DF=0 -DEV=1
RESCAN_TOKEN    S1  -DF=0 -DEV=1
BOOT_TOKEN      S1  -DF=1 -DEV=0
GONE            S1  -DF=0 -DEV=1
ABORT_AGAIN     S2  -DF=0 -DEV=1
EPOCH           S4  -DF=0 -DEV=1
DEDUP           S4  -DF=0 -DEV=1
COMMIT_CHECK    S4  -DF=0 -DEV=1
PAYLOAD_CRC     S4  -DF=1 -DEV=0
IN_PLACE        S4  -DF=1 -DEV=0
JOURNAL_LATE    S4  -DF=0 -DEV=1
TIMEOUT_VOID    S4  -DF=1 -DEV=0
RING_OVERWRITE  S5  -DF=0 -DEV=1
ACK_EARLY       S5  -DF=0 -DEV=1
ACK_STORE       S5  -DNGW=2 -DMAXOFF=3 -DF=0 -DEV=0
GAP_UNREAD      S5  -DNGW=2 -DMAXOFF=3 -DF=1 -DEV=0 -DLAG=0
GAP_UNREAD      S5  -DBY_HAND -DPAIR -DNGW=2 -DROLLS=3 -DF=1 -DEV=0 -DLAG=0
RESULT_VOLATILE S6  -DF=1 -DEV=1
SETTLE_BLIND    S6  -DF=1 -DEV=0
VOID_GONE       S6  -DF=0 -DEV=1
COUNT_WAIT      S6  -DF=0 -DEV=2
COUNT_SETTLE    S6  -DF=1 -DEV=0
PAST            S6  -DF=1 -DEV=0
GAP_PROOF       S6  -DNGW=2 -DMAXOFF=3 -DF=1 -DEV=0 -DLAG=0
VERDICT_RANGE   S6  -DF=0 -DEV=1
LATCH_RECHECK   S7  -DF=1 -DEV=0
NONCE           S7  -DF=1 -DEV=0
HELLO_BOOT      S7  -DF=1 -DEV=0
HELLO_FLOOR     S7  -DF=1 -DEV=0
EPOCH_FIRST     S7  -DF=2 -DEV=0
PERM            S8  -DF=0 -DEV=1
CONFIRM         S10 -DF=1 -DEV=0
CONFIRM_GEN     S10 -DF=1 -DEV=0
OWN_FLOOR       S10 -DF=1 -DEV=0
COUNT_EMPTY     S10 -DF=0 -DEV=0 -DLAG=2
EMPTY_ROLL      S10 -DF=1 -DEV=0
UNREAD          S10 -DRCAP=2 -DF=1 -DEV=1
REQUEST_JUMPS   S10 -DRCAP=2 -DROLLS=3 -DF=2 -DEV=1 -DLAG=0
HELLO_JUMP      S11 -DF=1 -DEV=0
EPOCH_BOUND     S11 -DF=1 -DEV=0
FENCED_OPENS    S12 -DM_OVERTAKEN -DNO_S13 -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
FENCED_OPENS    S12 -DBY_HAND -DPAIR -DM_OVERTAKEN -DNO_S13 -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
SILENCE         S12 -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
STANDBY_SILENCE S12 -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
OVERTAKEN       S13 -DNGW=2 -DMAXOFF=1 -DF=1 -DEV=0
SAME_EPOCH      S13 -DNGW=2 -DMAXOFF=1 -DF=1 -DEV=0
OVERTAKEN       S13 -DBY_HAND -DNGW=2 -DMAXOFF=1 -DF=1 -DEV=0
SAME_EPOCH      S13 -DBY_HAND -DNGW=2 -DMAXOFF=1 -DF=1 -DEV=0
INSTANCE        S13 -DNGW=2 -DROLLS=1 -DF=2 -DEV=0 -DLAG=0
UNTOLD          S14 -DPAIR -DNGW=2 -DROLLS=3 -DF=1 -DEV=0 -DLAG=0
FILLED_ONCE     S14 -DPAIR -DNGW=2 -DROLLS=2 -DF=2 -DEV=0 -DLAG=0
FILLED_BY_GAP   S14 -DPAIR -DNGW=2 -DROLLS=2 -DF=3 -DEV=0 -DLAG=0
HELLO_ONCE      L1  -DF=1 -DEV=0
COMMIT_ONCE     L1  -DF=1 -DEV=0
ACK_ONCE        L1  -DF=1 -DEV=0
ACK_ALONE       L1  -DNGW=2 -DMAXOFF=3 -DF=1 -DEV=0 -DLAG=0
FENCED_KEEPS    L1  -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
TAKE_ABOVE      L1  -DNGW=2 -DROLLS=1 -DF=2 -DEV=0 -DLAG=0
HAND_ABOVE      L1  -DPAIR -DNGW=2 -DROLLS=1 -DF=2 -DEV=0 -DLAG=0
CURSOR          L1  -DPAIR -DNGW=2 -DROLLS=2 -DF=2 -DEV=0 -DLAG=0
GREATER         L2  -DNGW=2 -DROLLS=1 -DF=1 -DEV=0 -DLAG=0
MUTANTS
echo "guards taken out: $total, broke the guarantee that they carry: $named"
exit $bad
