#!/bin/bash
# Checks handshake.pml with Spin, then takes its guards out one at a time: Spin must object each time.
# Needs spin and gcc. Usage: check.sh [model flags, default "-DF=2 -DEV=1"]
set -u
model=$(cd "$(dirname "$0")" && pwd)/handshake.pml
work=$(mktemp -d); trap 'rm -rf "$work"' EXIT; cd "$work" || exit 2

verify() { # flags -> prints "states S depth D errors E [what]"
  rm -f pan* ./*.trail
  # shellcheck disable=SC2086
  spin $1 -a "$model" >spin.log 2>&1 || { cat spin.log; return 2; }
  gcc -O2 -DSAFETY -DCOLLAPSE -DNOFAIR -DMEMLIM=8000 -w -o pan pan.c || return 2
  timeout 600 ./pan -m1000000 -w26 >pan.log 2>&1
  local states depth errors what
  states=$(sed -n 's/^ *\([0-9.e+]*\) states, stored.*/\1/p' pan.log)
  depth=$(sed -n 's/.*depth reached \([0-9]*\).*/\1/p' pan.log)
  errors=$(sed -n 's/.*errors: \([0-9]*\).*/\1/p' pan.log)
  what=$(sed -n 's/^pan:1: //p' pan.log | cut -c1-70)
  grep -q 'search depth too small' pan.log && what="$what (truncated)"
  echo "states ${states:-?} depth ${depth:-?} errors ${errors:-?} $what"
}

bad=0
r=$(verify "${1:--DF=2 -DEV=1}"); echo "model: $r"
case $r in *"errors 0 "*) ;; *) bad=1 ;; esac
for m in EPOCH LATCH_RECHECK NONCE TOKEN DEDUP COMMIT_CHECK PERM PAYLOAD_CRC IN_PLACE HELLO_BOOT HELLO_FLOOR \
  READ_CRC RING_OVERWRITE RESCAN_TOKEN BOOT_TOKEN RESULT_VOLATILE JOURNAL_LATE ACK_EARLY TIMEOUT_VOID SETTLE_BLIND SPLIT_STATUS; do
  for f in "-DNO_MONITOR -DF=1 -DEV=0" "-DNO_MONITOR -DF=1 -DEV=1" "-DNO_MONITOR -DF=2 -DEV=0" "-DNO_MONITOR -DF=2 -DEV=1" "-DF=1 -DEV=1"; do
    r=$(verify "-DM_$m $f"); case $r in *"errors 0 "*) ;; *) break ;; esac
  done
  echo "without $m: $r"
  case $r in *"errors 0 "*) bad=1 ;; esac
done
exit $bad
