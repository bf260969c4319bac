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

# start NAME COMMAND... runs a command in the background, its standard output in
# $work/NAME.out and its standard error in $work/NAME.log; sets $pid.
start() {
  local name=$1
  shift
  : >"$work/$name.out" # it may be looked at before the command begins
  "$@" >"$work/$name.out" 2>"$work/$name.log" &
  pid=$!
}

# await FILE PATTERN PID prints what the pattern's group matches in the file, as
# soon as it is there, and fails when the process ends before.
await() {
  local found
  for _ in $(seq 300); do
    found=$(sed -nE "s#.*$2.*#\1#p" "$1" | head -n 1)
    if test -n "$found"; then
      echo "$found"
      return
    fi
    kill -0 "$3" 2>/dev/null || break
    sleep 0.1
  done
  echo "no line like $2 in $(basename "$1")" >&2
  return 1
}

# shift_of STANDIN FLAG... runs the daemon with the demonstration's line and the
# flags until the stand-in with this process id ends, and holds the journal
# against the stand-in's summary.
shift_of() {
  local standin=$1
  shift
  start daemon "$work/lapgate" run --config configs/demo.yaml --set status.listen=none \
    --set lines.0.armed=true --set "journal.directory=$work/journal" "$@"
  local daemon=$pid code=0
  wait -n "$standin" "$daemon" || code=$?
  if ! kill "$daemon" 2>/dev/null; then
    echo "the daemon ended by itself with $code"
    return 1
  fi
  wait "$daemon" || { echo "the daemon ended with $?"; return 1; }
  if test "$code" -ne 0; then
    echo "the stand-in ended with $code"
    cat "$work/standin.out"
    return 1
  fi
  "$work/lapgate" journal verify "$work/journal/north.db"
  "$work/lapgate" journal list --json "$work/journal/north.db" >"$work/records.json"
  python3 testdata/standin/account.py "$work/standin.out" "$work/records.json"
}
