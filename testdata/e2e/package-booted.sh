#!/usr/bin/env bash
# Tries the service of the Debian package under a service manager of its own: a root that
# systemd-nspawn boots, with two versions as /packages/first.deb and /packages/later.deb.
# Part of package.sh, which makes such a root. Needs root and systemd-container.
# Usage: package-booted.sh ROOT
set -euo pipefail
cd "$(dirname "$0")/../.."
root=${1:?want the folder of the root}
work=$(mktemp -d)
# Where the host still has the first version of control groups, the root gets the second.
SYSTEMD_NSPAWN_UNIFIED_HIERARCHY=1 systemd-nspawn --quiet --directory "$root" --machine "lapgate-$$" --boot --private-network \
  --register=no --keep-unit --console=pipe >"$work/console.log" 2>&1 </dev/null &
nspawn=$!
clean() {
  code=$?
  if test "$code" -ne 0; then
    for log in "$work"/*.log; do test -s "$log" && { echo "-- $(basename "$log")"; tail -n 30 "$log"; }; done
    test -z "${inside:-}" || "${inside[@]}" journalctl --unit lapgate --lines 40 --no-pager || true
  fi
  test -z "${leader:-}" || kill -s RTMIN+4 "$leader" 2>/dev/null || true # to halt
  for _ in $(seq 100); do kill -0 "$nspawn" 2>/dev/null || break; sleep 0.2; done
  kill "$nspawn" 2>/dev/null || true
  wait || true
  rm -rf "$work"
}
trap clean EXIT
trap 'exit 130' INT TERM

for _ in $(seq 3000); do # a busy machine boots slowly
  kill -0 "$nspawn" 2>/dev/null || break
  leader=$(cat "/proc/$nspawn/task/$nspawn/children")
  leader=${leader%% *}
  if test -n "$leader"; then
    inside=(nsenter --target "$leader" --mount --uts --ipc --net --pid --cgroup --root env --chdir=/ -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive)
    state=$("${inside[@]}" systemctl is-system-running 2>/dev/null || true)
    case $state in running | degraded) break ;; esac
  fi
  sleep 0.2
done
case ${state:-} in running | degraded) ;; *)
  echo "skipped: the root does not boot here: $(tail -n 3 "$work/console.log" | tr '\n' ' ')"
  exit 0
  ;;
esac
as_daemon=("${inside[@]}" runuser -u lapgate --)

# holds STEP COMMAND... fails unless the command succeeds.
holds() {
  local step=$1
  shift
  "$@" >"$work/holds.log" 2>&1 || { echo "$step: $* fails"; exit 1; }
  echo "$step"
}
# equal STEP GOT WANT fails unless both are the same.
equal() { test "$2" = "$3" || { echo "$1: got $2, want $3"; exit 1; }; echo "$1"; }
of() { "${inside[@]}" systemctl show --property "$1" --value lapgate; }
# waits_for STEP COMMAND... waits up to ten minutes until the command succeeds.
waits_for() {
  local step=$1 end=$((SECONDS + 600))
  shift
  until "$@"; do
    test "$SECONDS" -lt "$end" || { echo "not within ten minutes: $step"; exit 1; }
    sleep 0.2
  done
}
is() { test "$(of "$1")" = "$2"; }
# log ARGUMENT... prints what the service has logged until now; what it said last may be on
# its way to the journal still.
log() {
  "${inside[@]}" journalctl --sync >/dev/null 2>&1 || true
  "${inside[@]}" journalctl --unit lapgate "$@"
}
journal=/var/lib/lapgate/journal/north.db
outcomes() { "${as_daemon[@]}" lapgate journal list --kind OUTCOME --json "$journal" 2>/dev/null | wc -l; }
left() { test "$(outcomes)" -ge "$1"; }
# goes_on STEP waits until three more rolls have left.
goes_on() { waits_for "$1" left "$(($(outcomes) + 3))"; echo "$1"; }
try_arm() { "${inside[@]}" lapgate arm --config "$2" --line north --by script --reason "$1" --keep >"$work/arm.log" 2>&1; }
# arm REASON [CONFIG] arms the line as soon as it can be armed.
arm() { waits_for "armed: $1" try_arm "$1" "${2:-/etc/lapgate/lapgate.yaml}"; }
# page [HEADER] prints the first line of the answer of the status page.
page() { "${inside[@]}" bash -c 'exec 3<>/dev/tcp/127.0.0.1/8480; printf "GET / HTTP/1.1\r\nHost: 127.0.0.1:8480\r\nConnection: close\r\n%s\r\n" "$1" >&3; head -n 1 <&3' -- "${1:+$1$'\r\n'}" | tr -d '\r'; }

holds "installed under a service manager" "${inside[@]}" dpkg --install /packages/first.deb
equal "not enabled" "$("${inside[@]}" systemctl is-enabled lapgate || true)" disabled
equal "not started" "$(of ActiveState)" inactive
holds "the unit passes systemd-analyze verify" "${inside[@]}" sh -c \
  'said=$(systemd-analyze verify --man=no lapgate.service 2>&1) || { echo "$said"; exit 1; }; ! echo "$said" | grep lapgate'
holds "and scores at most 1.5 by systemd-analyze security" "${inside[@]}" systemd-analyze security --offline=yes --threshold=15 --no-pager lapgate.service
"${inside[@]}" systemd-analyze security --offline=yes --no-pager lapgate.service | sed -n 's/.*Overall exposure level/exposure level/p'

mill=$root/etc/lapgate/lapgate.yaml
token=a-token-of-the-script
echo "$token" >"$root/etc/lapgate/credentials/page"
chmod 600 "$root/etc/lapgate/credentials/page"
sed -e "s#directory: journal#directory: /var/lib/lapgate/journal#" configs/demo.yaml >"$mill"
printf 'control:\n  socket: /run/lapgate/control.sock\nstatus:\n  token: file:/run/credentials/lapgate.service/secret_page\n' >>"$mill"
"${inside[@]}" systemd-run --quiet --unit=mill --uid=lapgate lapgate sim --rolls 5000 --speed 200 --listen 127.0.0.1:1502
holds "enabled and started" "${inside[@]}" systemctl enable --now lapgate
equal "it told that it is ready" "$(of Type) $(of ActiveState)" "notify-reload active"
arm "a trial"
goes_on "rolls leave: controller, journal and control socket are reached from inside the sandbox"
pid=$(of MainPID)
equal "no capability, no new privileges, system calls filtered" \
  "$("${inside[@]}" awk '/^(CapEff|CapPrm|CapBnd|NoNewPrivs|Seccomp):/ { printf "%s%s ", $1, $2 }' "/proc/$pid/status")" \
  "CapPrm:0000000000000000 CapEff:0000000000000000 CapBnd:0000000000000000 NoNewPrivs:1 Seccomp:2 "
if "${inside[@]}" nsenter --target "$pid" --mount touch /etc/lapgate/x /usr/x 2>"$work/touch.log"; then echo "it can write where it need not"; exit 1; fi
equal "the page refuses who has no token" "$(page)" "HTTP/1.1 401 Unauthorized"
equal "and takes the token that systemd handed over as a credential" "$(page "Authorization: Bearer $token")" "HTTP/1.1 200 OK"

entry=$(log --output json --lines 1 LAPGATE_LINE=north LAPGATE_CODE=roll-left LAPGATE_OUTCOME=wrapped) # others leave too
for field in '"PRIORITY":"6"' '"SYSLOG_IDENTIFIER":"lapgate"' '"LAPGATE_OUTCOME":"wrapped"' '"LAPGATE_ROLL_NO":"' '"_TRANSPORT":"journal"'; do
  case $entry in *"$field"*) ;; *) echo "no $field in the journal: $entry"; exit 1 ;; esac
done
equal "the log is in the journal with its fields, each entry once" "$(log --output cat --grep '^lapgate runs' | wc -l)" 1

sed -i 's/    overlap: 6 in/    overlap: 7 in/' "$mill"
holds "reloaded" "${inside[@]}" systemctl reload lapgate
changes=$(log --output json --grep '^configuration read again' | grep -o '"LAPGATE_SPECS_[A-Z0-9_]*OVERLAP":"6 in -> 7 in"' | wc -l)
equal "the same process has the new configuration" "$(of MainPID) $changes" "$pid 2"
cp "$mill" "$work/mill.yaml"
echo "nonsense: 1" >>"$mill"
"${inside[@]}" systemctl reload lapgate
equal "a broken configuration is not taken, and the process goes on" "$(of MainPID) $(of ActiveState)" "$pid active"
log --priority warning --output cat | grep nonsense >/dev/null || { echo "the journal does not tell why"; exit 1; }

code=0
"${inside[@]}" dpkg --install /packages/later.deb >"$work/upgrade.log" 2>&1 || code=$?
equal "an upgrade with it is refused, and the service goes on" "$code $(of MainPID) $(of ActiveState)" "1 $pid active"
grep -q "the new version is refused: check" "$work/upgrade.log"
cp "$work/mill.yaml" "$mill"
head=$("${as_daemon[@]}" lapgate journal verify "$journal" | sed -n 's/^head *\([0-9]*:[0-9a-f]*\).*/\1/p')
holds "upgraded in the middle of a shift" "${inside[@]}" dpkg --configure lapgate
test "$(of MainPID)" != "$pid" || { echo "the process is still the one before"; exit 1; }
equal "the service runs the new version" "$(of ActiveState) $("${inside[@]}" readlink "/proc/$(of MainPID)/exe")" "active /usr/lib/lapgate/lapgate"
arm "after the upgrade"
goes_on "and goes on with the shift"
holds "same journal, with all that was in it before" "${as_daemon[@]}" lapgate journal verify "$journal" --head "$head"

# with_times WATCHDOG starts the service with shorter times than in a mill.
with_times() {
  "${inside[@]}" sh -c "mkdir -p /run/systemd/system/lapgate.service.d && printf '[Service]\nWatchdogSec=%s\nTimeoutStopSec=5s\nRestartSec=100ms\n' $1 >/run/systemd/system/lapgate.service.d/quick.conf && systemctl daemon-reload && systemctl restart lapgate"
}
with_times 10s
equal "started anew by hand" "$(of NRestarts) $(of ActiveState)" "0 active"
"${inside[@]}" systemctl kill --signal=STOP lapgate
waits_for "started anew by the watchdog" is NRestarts 1
waits_for "active after the watchdog" is ActiveState active
echo "a process that stands still is started anew by the watchdog"
goes_on "armed as before, it goes on"

with_times 10min
goes_on "before another gateway comes"
sed -e 's#/var/lib/lapgate/journal#/var/lib/lapgate/rival#' -e 's#/run/lapgate/control.sock#/var/lib/lapgate/rival.sock#' -e '/^status:/,$d' "$mill" >"$root/etc/lapgate/rival.yaml"
"${inside[@]}" systemd-run --quiet --unit=rival --uid=lapgate lapgate run --config /etc/lapgate/rival.yaml --set status.listen=none
# Another gateway takes the line only from one that gives no sign of life.
"${inside[@]}" systemctl kill --signal=STOP lapgate
arm "a second gateway, by mistake" /etc/lapgate/rival.yaml
"${inside[@]}" systemctl kill --signal=CONT lapgate
waits_for "fenced" is ActiveState failed
sleep 1 # ten times the pause before a restart
equal "fenced by another gateway it ends with 6 and is not started anew" "$(of ActiveState) $(of ExecMainStatus) $(of NRestarts)" "failed 6 0"
"${inside[@]}" systemctl stop rival
if "${inside[@]}" systemctl start lapgate 2>"$work/start.log"; then echo "a sixth start within ten minutes was not refused"; exit 1; fi
equal "a sixth start within ten minutes waits for systemctl reset-failed" "$(log --output cat --grep 'Start request repeated too quickly' | wc -l)" 1
"${inside[@]}" systemctl reset-failed lapgate
echo "nonsense: 1" >>"$mill"
if "${inside[@]}" systemctl start lapgate 2>"$work/start.log"; then echo "a broken configuration was taken"; exit 1; fi
sleep 1
equal "a broken configuration ends it with 3, and it is not started anew" "$(of ActiveState) $(of ExecMainStatus) $(of NRestarts)" "failed 3 0"
cp "$work/mill.yaml" "$mill"
holds "back again" "${inside[@]}" systemctl start lapgate
"${inside[@]}" rm -r /run/systemd/system/lapgate.service.d

holds "removed" "${inside[@]}" dpkg --remove lapgate
equal "and stopped" "$("${inside[@]}" systemctl is-active lapgate || true)" inactive
holds "configuration and journal are kept" test -s "$mill" -a -s "$root$journal"
"${inside[@]}" systemctl stop mill
holds "purged" "${inside[@]}" dpkg --purge lapgate
for path in /etc/lapgate /var/lib/lapgate /usr/lib/systemd/system/lapgate.service /etc/systemd/system/multi-user.target.wants/lapgate.service; do
  test ! -e "$root$path" && test ! -L "$root$path" || { echo "$path is left"; exit 1; }
done
echo "nothing is left"
