#!/usr/bin/env bash
# Kills the daemon with signal 9, and stops and continues it, at random moments of
# shifts on both stand-ins, and starts it again on the same journal. At the end
# the journal is sound and equal to the controllers' ledgers.
# Usage: standin-kills.sh [kills, default 250] [stalls, default 50] [seed, default 1]
source "$(dirname "$0")/standin.sh"
kills=${1:-250} stalls=${2:-50} seed=${3:-1}

# part LEAST MOST sleeps that many milliseconds.
part() {
  local ms=$(($1 + RANDOM % ($2 - $1)))
  sleep "$((ms / 1000)).$(printf %03d $((ms % 1000)))"
}

# shift_with LINK KILLS STALLS MOST kills and stalls, up to MOST ms after a start.
shift_with() {
  local name=$1 kills=$2 stalls=$3 most=$4 killed=0 stalled=0 code=0
  RANDOM=$seed
  "$1_standin" "$name" --rolls 5000 --limit 3000 --switch operator
  while test "$killed" -lt "$kills" || test "$stalled" -lt "$stalls"; do
    daemon "$name"
    part 30 "$most"
    if test $((stalled * kills)) -le $((killed * stalls)) && test "$stalled" -lt "$stalls"; then
      kill -STOP "$pid"
      part 100 4000
      kill -CONT "$pid"
      stalled=$((stalled + 1))
      part 30 "$most"
    fi
    if test "$killed" -lt "$kills"; then
      killed=$((killed + 1))
      kill -KILL "$pid"
    else
      kill "$pid"
    fi
    wait "$pid" 2>>"$work/killed" || true # the shell tells of each that was killed
  done
  daemon "$name"
  kill -TERM "$standin" # no more rolls come
  wait "$standin" || code=$?
  kill "$pid"
  wait "$pid" || { echo "the last daemon ended with $?"; return 1; }
  echo "$name, $killed kills, $stalled stalls: $(account "$name" '~*')" && test "$code" -eq 0
}

beside shift_with modbus $((kills - kills / 2)) $((stalls - stalls / 2)) 2000
modbus=$!
beside shift_with opcua $((kills / 2)) $((stalls / 2)) 3500
wait "$modbus" && wait "$!"
