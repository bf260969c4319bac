#!/usr/bin/env bash
# Wraps shifts of 40 rolls on the simulator over every kind of Modbus: TLS with
# client certificates, also with every fault; input registers with writes
# register by register; and RTU on a serial line. The four wait for the times of the
# handshake, and so run side by side.
# Usage: 41-modbus-modes.sh [rolls, default 40]
source "$(dirname "$0")/standin.sh"
export PYTHONDONTWRITEBYTECODE=1
rolls="${1:-40}"

tls() { "$work/lapgate" demo --transport modbus-tls --rolls "$rolls" --speed 1000 --journal "$work/tls" | tail -n 4; }
tls_faults() {
  "$work/lapgate" demo --transport modbus-tls --fault all --seed 5 --rolls "$rolls" --speed 1000 --journal "$work/tls-faults" | tail -n 1
}

# shift_over NAME FLAG... runs the daemon with the flags until the simulator's
# shift has ended. $sim is the simulator's process id.
shift_over() {
  local name=$1 code=0
  shift
  start "daemon-$name" "$work/lapgate" run --config configs/demo.yaml --set status.listen=none \
    --set "journal.directory=$work/$name" "$@"
  local daemon=$pid
  armed "$work/$name/control.sock" "$daemon"
  wait "$sim" || code=$?
  kill "$daemon"
  wait "$daemon" || { echo "the daemon ended with $?"; return 1; }
  echo "$name: $(tail -n 1 "$work/sim-$name.out")"
  "$work/lapgate" journal verify "$work/$name/north.db" | tail -n 1
  return "$code"
}

single() {
  start sim-modes "$work/lapgate" sim --rolls "$rolls" --speed 1000
  sim=$pid
  address=$(await "$work/sim-modes.out" 'modbus-tcp (.*)' "$sim")
  shift_over modes --set "lines.0.controller.address=$address" --set lines.0.controller.modbus.registers=input \
    --set lines.0.controller.modbus.writes=single --set lines.0.controller.modbus.read_limit=50
}

rtu() {
  command -v socat >/dev/null || { echo "socat is missing: nothing was run over a serial line"; return 0; }
  start socat socat -d -d "pty,rawer,link=$work/near" "pty,rawer,link=$work/far"
  await "$work/socat.log" '(data transfer loop)' "$pid" >/dev/null
  start sim-rtu "$work/lapgate" sim --rolls "$rolls" --speed 1000
  sim=$pid
  address=$(await "$work/sim-rtu.out" 'modbus-tcp (.*)' "$sim")
  start bridge python3 testdata/standin/rtu_bridge.py --device "$work/far" --server "$address"
  await "$work/bridge.out" '(bridging)' "$pid" >/dev/null
  shift_over rtu --set lines.0.controller.protocol=modbus-rtu --set "lines.0.controller.address=$work/near" \
    --set lines.0.controller.serial.baud=115200
}

parts=(tls tls_faults single rtu) running=() failed=0
for part in "${parts[@]}"; do
  beside "$part" >"$work/part-$part" 2>&1
  running+=($!)
done
for i in "${!parts[@]}"; do
  wait "${running[i]}" || { failed=$((failed + 1)); echo "${parts[i]} failed"; }
  cat "$work/part-${parts[i]}"
done
test "$failed" -eq 0
