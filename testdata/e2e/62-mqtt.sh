#!/usr/bin/env bash
# Sends a shift onward to a broker over TLS and kills the broker ten times with signal 9
# meanwhile, and the daemon once; what a receiver got is held against the export of the
# journal. Needs mosquitto, mosquitto-clients, openssl and python3.
# Usage: 62-mqtt.sh [kills, default 10]
set -euo pipefail
cd "$(dirname "$0")/../.."
kills="${1:-10}"
work=$(mktemp -d)
started=()
trap 'kill "${started[@]}" 2>/dev/null || true; wait 2>/dev/null || true; rm -rf "$work"' EXIT
export PATH="$PATH:/usr/sbin"
go build -o "$work/lapgate" ./cmd/lapgate

# Below the ports that the system gives to others while the broker is away.
port=$(python3 - <<'PY'
import random, socket
while True:
    try:
        with socket.socket() as s:
            s.bind(("127.0.0.1", random.randrange(16000, 32000)))
            print(s.getsockname()[1])
            break
    except OSError:
        pass
PY
)
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=broker \
  -addext subjectAltName=IP:127.0.0.1 -keyout "$work/broker.key" -out "$work/broker.pem" 2>/dev/null
secret=$(openssl rand -hex 12)
(umask 077; printf '%s\n' "$secret" >"$work/password")
mosquitto_passwd -b -c "$work/users" gateway "$secret" 2>/dev/null
mosquitto_passwd -b "$work/users" historian "$secret" 2>/dev/null
cat >"$work/broker.conf" <<CONF
listener $port 127.0.0.1
certfile $work/broker.pem
keyfile $work/broker.key
allow_anonymous false
password_file $work/users
user $(id -un)
CONF
broker() {
  mosquitto -c "$work/broker.conf" >>"$work/broker.log" 2>&1 &
  brokerpid=$!
  started+=("$brokerpid")
}
until_it() { # TEXT COMMAND...: waits ten minutes for a command to succeed
  local what=$1 end=$((SECONDS + 600))
  shift
  while test "$SECONDS" -lt "$end"; do
    if "$@"; then return; fi
    sleep 0.1
  done
  echo "$what did not come about"
  tail -n 20 "$work"/*.log
  exit 1
}
listens() { (exec 3<>"/dev/tcp/127.0.0.1/$port") 2>/dev/null; }

broker
until_it "the broker" listens
receive() { # it ends with its connection
  trap 'kill "$sub" 2>/dev/null; exit' TERM
  while :; do
    mosquitto_sub -V mqttv5 -h 127.0.0.1 -p "$port" --cafile "$work/broker.pem" -u historian -P "$secret" \
      -i historian -c -x 4294967295 -q 1 -t 'mill/#' -F '%t %p' >>"$work/received" 2>>"$work/receiver.log" &
    sub=$!
    wait "$sub" || sleep 0.1
  done
}
receive &
started+=("$!")

"$work/lapgate" sim --listen 127.0.0.1:0 --rolls 40 --speed 100 >"$work/sim.out" 2>"$work/sim.log" & # twice as long as the kills take
simpid=$!
started+=("$simpid")
printed() { address=$(grep -om1 -E '127\.0\.0\.1:[0-9]+' "$work/sim.out"); }
until_it "the simulator" printed
cp configs/demo.yaml "$work/mill.yaml"
cat >>"$work/mill.yaml" <<CONF
publish:
  mqtt:
    broker: mqtts://127.0.0.1:$port
    authorities: broker.pem
    user: gateway
    password: file:password
    topic: mill
CONF
sed -i "s/address: 127.0.0.1:1502/address: $address/; s/directory: journal/directory: ./" "$work/mill.yaml"
daemon() {
  "$work/lapgate" run --config "$work/mill.yaml" --set status.listen=none >>"$work/daemon.log" 2>&1 &
  daemonpid=$!
  started+=("$daemonpid")
}
daemon
armed() {
  "$work/lapgate" arm --config "$work/mill.yaml" --line north --by script --reason "end-to-end" --keep >"$work/arm.log" 2>&1
}
until_it "arming" armed

for n in $(seq "$kills"); do
  sleep "1.$((RANDOM % 900 + 100))"
  kill -0 "$simpid" 2>/dev/null || { echo "the shift ended after $((n - 1)) of $kills kills"; exit 1; }
  kill -9 "$brokerpid"
  wait "$brokerpid" 2>/dev/null || true
  sleep "0.$((RANDOM % 900 + 100))"
  broker
  if test "$n" -eq $((kills / 2)); then # what was sent since the newest note comes again
    kill -9 "$daemonpid"
    wait "$daemonpid" 2>/dev/null || true
    daemon
  fi
done
wait "$simpid" || { cat "$work/sim.out"; exit 1; }
sent() {
  test "$("$work/lapgate" status --config "$work/mill.yaml" --json |
    python3 -c 'import json, sys; p = json.load(sys.stdin)["lines"][0]["publication"]; print(p["backlog_records"] if p["connected"] else "not connected")')" = 0
}
until_it "all of it at the broker" sent
kill "$daemonpid"
wait "$daemonpid"
if grep -rq "$secret" "$work/daemon.log" "$work"/*.db; then
  echo "the password stands where it should not"
  exit 1
fi
"$work/lapgate" journal verify "$work/north.db"
"$work/lapgate" journal export "$work/north.db" >"$work/export"
judged() { python3 testdata/e2e/judge_mqtt.py "$work/export" "$work/received" >"$work/judged.log" 2>&1; }
until_it "what the receiver got, or it" judged # which writes a while after the broker has it
cat "$work/judged.log"
