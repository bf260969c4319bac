# Sourced by the scripts that run the daemon against a stand-in controller.
# It installs nothing. It makes $work, builds $work/lapgate and, at the end,
# stops what was started and removes $work.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)

clean() {
  code=$?
  kill $(jobs -p) 2>/dev/null || true
  wait || true
  if test "$code" -ne 0; then
    for log in "$work"/*.log; do test -s "$log" && { echo "-- $(basename "$log")"; tail -n 30 "$log"; }; done
  fi
  rm -rf "$work"
}
trap clean EXIT
trap 'exit 130' INT TERM
go build -o "$work/lapgate" ./cmd/lapgate
go build -o "$work/history" ./testdata/history

# start NAME COMMAND... runs a command in the background, its standard output in
# $work/NAME.out and its standard error in $work/NAME.log; sets $pid.
start() {
  local name=$1
  shift
  : >"$work/$name.out" # it may be looked at before the command begins
  "$@" >"$work/$name.out" 2>"$work/$name.log" &
  pid=$!
}

# beside COMMAND... runs a function in the background, and ends with it what it
# started.
beside() {
  (
    trap 'kill $(jobs -p) 2>/dev/null || true' EXIT
    trap 'exit 143' INT TERM
    "$@"
  ) &
}

# await FILE PATTERN PID prints what the pattern's group matches in the file, as
# soon as it is there, and fails when the process ends before.
await() {
  local found lives=1
  while test -n "$lives"; do
    kill -0 "$3" 2>/dev/null || lives= # what it said last counts
    found=$(sed -nE "s#.*$2.*#\1#p" "$1" | head -n 1)
    if test -n "$found"; then
      echo "$found"
      return
    fi
    sleep 0.1
  done
  echo "no line like $2 in $(basename "$1")" >&2
  return 1
}

# modbus_standin NAME FLAG... starts the stand-in in Python; sets $standin, its
# process, and $link, the daemon's flags for it.
modbus_standin() {
  local name=$1 python=python3
  shift
  python3 -c 'import pymodbus' 2>/dev/null || python=/usr/bin/python3
  start "standin-$name" env PYTHONDONTWRITEBYTECODE=1 "$python" testdata/standin/modbus_controller.py "$@"
  standin=$pid
  link=(--set "lines.0.controller.address=$(await "$work/standin-$name.out" 'listening (.*)' "$standin")")
}

# opcua_standin NAME FLAG... does so with the one in JavaScript. Its certificate
# and the daemon's, and their trust, are made once.
opcua_standin() {
  local name=$1 address
  shift
  export STANDIN_PASSWORD="for-this-run-$$"
  start "standin-$name" node testdata/standin/opcua/controller.mjs --nodeset configs/controller/lapgate.NodeSet2.xml \
    --pki "$work/controller" --user line "$@"
  standin=$pid
  address=$(await "$work/standin-$name.out" 'listening (.*)' "$standin")
  link=(--set lines.0.controller.protocol=opcua --set lines.0.controller.plain=false
    --set "lines.0.controller.address=$address" --set "lines.0.controller.opcua.certificates=$work/pki"
    --set lines.0.controller.opcua.user=line --set lines.0.controller.opcua.password=env:STANDIN_PASSWORD)
  until "$work/lapgate" trust accept "$address" --folder "$work/pki" \
    --fingerprint "$(openssl x509 -in "$work/controller/own/certs/certificate.pem" -noout -sha256 -fingerprint | cut -d= -f2)" >/dev/null 2>"$work/trust.log"; do
    kill -0 "$standin" # a busy server may have ended the connection
  done
}

# armed SOCKET PROCESS... arms the only line of a daemon that was just started, over
# restarts too, unless one of the processes ends first.
armed() {
  local socket=$1
  shift
  until "$work/lapgate" arm --socket "$socket" --by script --reason "a controller of the tests" --keep >/dev/null 2>&1; do
    for process; do kill -0 "$process" 2>/dev/null || return 0; done
    sleep 0.1
  done
}

# daemon NAME starts the daemon with the demonstration's line and $link; its
# output is added to what the name has.
daemon() {
  "$work/lapgate" run --config configs/demo.yaml --set status.listen=none --set log.format=json \
    --set "journal.directory=$work/journal-$1" "${link[@]}" 2>>"$work/daemon-$1.log" &
  pid=$!
  [ -e "$work/journal-$1/north.db.served" ] || armed "$work/journal-$1/control.sock" "$pid" "$standin"
}

# shift_of NAME [WANTED...] runs the daemon until the stand-in ends, and holds
# the journal and what was told against the stand-in's ledger, see account.py.
shift_of() {
  local name=$1 code=0 daemon
  shift
  daemon "$name"
  daemon=$pid
  wait -n "$standin" "$daemon" || code=$?
  if ! kill "$daemon" 2>/dev/null; then
    echo "the daemon ended by itself with $code"
    return 1
  fi
  wait "$daemon" || { echo "the daemon ended with $?"; return 1; }
  account "$name" "$@"
}

# account NAME [WANTED...] holds the journal against the ledger. Where a
# contradiction of the controller may be told, it may be in the journal.
account() {
  local name=$1 verdict sound='^verdict +sound$'
  shift
  case " $*" in *controller-contradicts*) sound='^verdict +sound' ;; esac
  verdict=$("$work/lapgate" journal verify "$work/journal-$name/north.db" 2>&1) || { echo "$verdict"; return 1; }
  grep -qE "$sound" <<<"$verdict" || { echo "$verdict"; return 1; }
  # A controller that contradicts itself, or whose roll number goes back, is no station
  # that the history could fit.
  case "$name $*" in *roll-back* | *controller-contradicts*) ;; *)
    "$work/history" "$work/standin-$name.out" "$work/journal-$name/north.db" || return 1 ;;
  esac
  "$work/lapgate" journal list --json "$work/journal-$name/north.db" >"$work/records-$name.json"
  python3 testdata/standin/account.py "$work/standin-$name.out" "$work/records-$name.json" "$work/daemon-$name.log" "$@"
}

lapgate() { "$work/lapgate" "$@"; }

# told STEP CODE PATTERN... reads what a command told from $work/told, which ended with
# a code, and fails for a pattern that it does not hold. Breaks of lines count as spaces.
told() {
  local step=$1 want=$2 pattern text
  shift 2
  text=$(tr -s ' \n' '  ' <"$work/told")
  test "$code" = "$want" || { echo "$step: exit code $code, want $want"; cat "$work/told"; exit 1; }
  for pattern in "$@"; do
    grep -qE -e "$pattern" <<<"$text" || { echo "$step: not told: $pattern"; cat "$work/told"; exit 1; }
  done
  echo "$step"
}

# does COMMAND... gives a command and keeps what it tells.
does() {
  code=0
  : | lapgate "$@" >"$work/told" 2>&1 || code=$?
}

# logged PATTERN waits for a line in the log of the process $daemon, as long as it and
# the simulator $sim run.
logged() {
  until grep -qE "$1" "$work/daemon.log"; do
    kill -0 "$sim" 2>/dev/null && kill -0 "$daemon" || { echo "not logged: $1"; exit 1; }
    sleep 0.1
  done
}
