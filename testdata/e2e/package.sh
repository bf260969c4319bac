#!/usr/bin/env bash
# Installs the Debian package in a root made by debootstrap: the same bytes from two
# builds, lintian, the first installation, a demonstration, upgrades that break off or are
# refused while the line is served, one in the middle of a shift, removal and purge. Then
# the root is booted, and the service of the package is tried in it. Needs root, debootstrap,
# lintian, systemd-container and python3, and some three minutes.
# Usage: package.sh [folder that debootstrap has filled with systemd, systemd-sysv and adduser]
set -euo pipefail
cd "$(dirname "$0")/../.."
suite=trixie mirror=http://deb.debian.org/debian
skip() { echo "skipped: $1"; exit 0; }
test "$(id -u)" = 0 || skip "needs root"
if test $# -eq 0; then
  wget --quiet --timeout=20 --tries=2 --spider "$mirror/dists/$suite/Release" || skip "$mirror is not reached, and no folder was named"
fi
work=$(mktemp -d)
root=$work/root
clean() {
  code=$?
  kill $(jobs -p) 2>/dev/null || true
  wait || true
  if test "$code" -ne 0; then
    for log in "$work"/*.log; do test -s "$log" && { echo "-- $(basename "$log")"; tail -n 30 "$log"; }; done
  fi
  for mounted in "$root/var/lib/lapgate/backup" "$root/proc"; do umount "$mounted" 2>/dev/null || true; done
  rm -rf --one-file-system "$work"
}
trap clean EXIT
trap 'exit 130' INT TERM

# In the background: the root, for the builds take their time.
if test $# -gt 0; then cp -a "$1" "$root"; else
  debootstrap --variant=minbase --include=systemd,systemd-sysv,adduser "$suite" "$root" "$mirror" >"$work/debootstrap.log" 2>&1
fi &
rooting=$!

inside=(chroot "$root" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive)
as_daemon=("${inside[@]}" setpriv --reuid=lapgate --regid=lapgate --init-groups)
# holds STEP COMMAND... fails unless the command succeeds.
holds() {
  local step=$1
  shift
  "$@" >"$work/holds.log" 2>&1 || { echo "$step: $* fails"; exit 1; }
  echo "$step"
}
# absent STEP PATH... fails when one of the paths of the root is there.
absent() {
  local step=$1 path
  shift
  for path; do test ! -e "$root$path" && test ! -L "$root$path" || { echo "$step: $path is there"; exit 1; }; done
  echo "$step"
}
current() { readlink "$root/usr/lib/lapgate/current"; }

# Two versions, the first built twice.
git clone --quiet . "$work/source"
git clone --quiet . "$work/later-source"
git -C "$work/later-source" -c user.name=test -c user.email=test@localhost.invalid commit --quiet --allow-empty --message "another version" --date "now"
TMPDIR=$(mktemp -d -p "$work") "$work/source/configs/package/build.sh" "$work/one" amd64
TMPDIR=$(mktemp -d -p "$work") "$work/source/configs/package/build.sh" "$work/two" amd64 >"$work/two.log" &
again=$!
"$work/later-source/configs/package/build.sh" "$work/later" amd64 >"$work/later.log"
wait "$again"
cat "$work/two.log"
holds "two builds in two folders give the same bytes" cmp "$work"/one/*.deb "$work"/two/*.deb
lintian --profile debian --allow-root --fail-on error,warning "$work"/later/*.deb >"$work/lintian.log" 2>&1 &
linting=$!
wait "$rooting" || skip "debootstrap makes no root here: $(tail -n 1 "$work/debootstrap.log")"

mkdir -p "$root/proc" && mount -t proc proc "$root/proc" || skip "nothing can be mounted here"
mkdir "$root/packages"
cp "$work"/one/*.deb "$root/packages/first.deb"
cp "$work"/later/*.deb "$root/packages/later.deb"
# A stick that was pulled too early, and a package whose first script fails.
head --bytes=-1000000 "$root/packages/later.deb" >"$root/packages/short.deb"
dpkg-deb --raw-extract "$root/packages/later.deb" "$work/failing"
echo 'echo "it fails on purpose" >&2; exit 1' >>"$work/failing/DEBIAN/preinst"
dpkg-deb --build -Zgzip -z1 "$work/failing" "$root/packages/failing.deb" >"$work/failing.log"
rm -r "$work/failing"

holds "installed" "${inside[@]}" dpkg --install /packages/first.deb
test "$(current)" = lapgate
absent "neither enabled nor started" /etc/systemd/system/multi-user.target.wants/lapgate.service /var/lib/lapgate/journal
for file in man/man1/lapgate.1.gz man/man1/lapgate-journal-verify.1.gz bash-completion/completions/lapgate zsh/vendor-completions/_lapgate \
  fish/vendor_completions.d/lapgate.fish doc/lapgate/handbook.html lapgate/sbom.cdx.json doc/lapgate/notices-of-modules.gz; do
  test -s "$root/usr/share/$file" || { echo "not in the package: $file"; exit 1; }
done
holds "a demonstration" "${as_daemon[@]}" lapgate demo --rolls 12 --speed 2000
code=0
"${as_daemon[@]}" lapgate check /etc/lapgate/lapgate.yaml >"$work/check.log" 2>&1 || code=$?
test "$code" = 5 || { echo "check of the first configuration ends with $code, want 5 for open values"; exit 1; }

# A shift of the demonstration's mill, served by the installed program.
"${as_daemon[@]}" lapgate sim --rolls 5000 --speed 40 >"$work/sim.out" 2>"$work/sim.log" &
sim=$!
until address=$(sed -n 's/.*modbus-tcp \(.*\)/\1/p' "$work/sim.out") && test -n "$address"; do kill -0 "$sim"; sleep 0.1; done
mill=$root/etc/lapgate/lapgate.yaml
sed -e "s/127.0.0.1:1502/$address/" -e "s#directory: journal#directory: /var/lib/lapgate/journal#" configs/demo.yaml >"$mill"
cp "$mill" "$work/mill.yaml"
"${as_daemon[@]}" /usr/lib/lapgate/current run --config /etc/lapgate/lapgate.yaml --set status.listen=none 2>"$work/daemon.log" &
daemon=$!
# armed REASON arms the line as soon as it can be armed.
armed() {
  until "${inside[@]}" lapgate arm --config /etc/lapgate/lapgate.yaml --line north --by script --reason "$1" --keep >"$work/arm.log" 2>&1; do
    kill -0 "$sim"; kill -0 "$daemon"
    sleep 0.2
  done
}
armed "a trial"
journal=/var/lib/lapgate/journal/north.db
outcomes() { "${as_daemon[@]}" lapgate journal list --kind OUTCOME --json "$journal" | wc -l; }
until test "$(outcomes)" -ge 3; do kill -0 "$sim"; kill -0 "$daemon"; sleep 0.5; done
head=$("${as_daemon[@]}" lapgate journal verify "$journal" | sed -n 's/^head *\([0-9]*:[0-9a-f]*\).*/\1/p')
test -n "$head" || { echo "verify tells no head"; exit 1; }
first=$("${inside[@]}" lapgate version)

# broken_off STEP LINK TEXT COMMAND... fails unless dpkg fails and says TEXT, while the link,
# what it leads to, the daemon and its journal stay as they are.
broken_off() {
  local step=$1 link=$2 text=$3
  shift 3
  if "${inside[@]}" "$@" >"$work/upgrade.log" 2>&1; then echo "$step: $* succeeds"; exit 1; fi
  grep -qF "$text" "$work/upgrade.log" || { echo "$step: not told: $text"; exit 1; }
  test "$(current)" = "$link" || { echo "$step: current is $(current), want $link"; exit 1; }
  test "$("${inside[@]}" lapgate version)" = "$first" || { echo "$step: another version is in use"; exit 1; }
  kill -0 "$daemon" || { echo "$step: the daemon is gone"; exit 1; }
  echo "$step"
}
same_journal() { "${as_daemon[@]}" lapgate journal verify "$journal" --head "$head" >"$work/verify.log" 2>&1 || { echo "$1: the journal does not verify"; exit 1; }; }
refused() { broken_off "$1" previous "the new version is refused: $2" "${@:3}"; }

broken_off "an upgrade whose file ends early breaks off, and all is as before" lapgate "unexpected end of file" dpkg --install /packages/short.deb
broken_off "an upgrade whose preinst fails breaks off, and all is as before" lapgate "it fails on purpose" dpkg --install /packages/failing.deb
"${inside[@]}" dpkg --status lapgate | grep '^Status: install ok installed$' >/dev/null || { echo "dpkg does not take it for installed"; exit 1; }
same_journal "after upgrades that broke off"

echo "nonsense: 1" >>"$mill"
refused "an upgrade with a broken configuration is refused" "check of /etc/lapgate/lapgate.yaml ends with 3" dpkg --install /packages/later.deb
grep -q nonsense "$work/upgrade.log" || { echo "the reason is not told"; exit 1; }
if cmp -s "$root/usr/lib/lapgate/lapgate" "$root/usr/lib/lapgate/previous"; then echo "previous is the new program"; exit 1; fi
cp "$work/mill.yaml" "$mill"
holds "back to the version before it" "${inside[@]}" dpkg --install /packages/first.deb
test "$(current)" = lapgate

# damage VALUE changes one record behind the back of the journal, or heals it, and leaves
# the rest as it is.
damage() {
  python3 - "$root$journal" "$1" <<'EOF'
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=60)
db.execute("BEGIN IMMEDIATE")
triggers = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
for name, _ in triggers:
    db.execute(f"DROP TRIGGER {name}")
before = db.execute("SELECT hex(prev_hash) FROM records WHERE seq = 3").fetchone()[0]
db.execute("UPDATE records SET prev_hash = ? WHERE seq = 3", (bytes.fromhex(sys.argv[2]),))
for _, sql in triggers:
    db.execute(sql)
db.execute("COMMIT")
print(before, flush=True)
os._exit(0)  # a connection that closes would tidy up the files of the daemon
EOF
}
sound=$(damage "$(printf '00%.0s' $(seq 32))")
refused "an upgrade on a damaged journal is refused" "the journal of line north does not verify" dpkg --install /packages/later.deb
damage "$sound" >/dev/null
same_journal "healed"

mount -t tmpfs -o size=64k,mode=777 tmpfs "$root/var/lib/lapgate/backup"
refused "an upgrade without room for the backup is refused" "the journal of line north cannot be backed up" dpkg --configure lapgate
mount -o remount,ro "$root/var/lib/lapgate/backup"
refused "an upgrade with a backup folder that takes nothing is refused" "the journal of line north cannot be backed up" dpkg --configure lapgate
umount "$root/var/lib/lapgate/backup"

# A program before it that decided otherwise: a stand-in for previous, which tells another
# list of what it would change.
mv "$root/usr/lib/lapgate/previous" "$work/previous"
printf '#!/bin/sh\ntest "$1" = replay || exec /var/previous "$@"\necho another decision\nexit 5\n' >"$root/usr/lib/lapgate/previous"
cp "$work/previous" "$root/var/previous"
chmod 755 "$root/usr/lib/lapgate/previous"
refused "an upgrade that decides recorded rolls otherwise is refused" "it decides recorded rolls of line north otherwise" dpkg --configure lapgate
mv "$work/previous" "$root/usr/lib/lapgate/previous"
rm "$root/var/previous"
same_journal "after the refusals"

holds "upgraded in the middle of a shift" "${inside[@]}" dpkg --configure lapgate
test "$(current)" = lapgate
test "$("${inside[@]}" lapgate version)" != "$first"
cmp "$work/mill.yaml" "$mill"
"${inside[@]}" sh -c 'lapgate journal verify /var/lib/lapgate/backup/north-before-*.db' >"$work/backup.log" 2>&1
# No service manager runs in this root; it would end the daemon like this.
kill "$daemon"
wait "$daemon" || { echo "the daemon ended with $?"; exit 1; }
"${as_daemon[@]}" /usr/lib/lapgate/current run --config /etc/lapgate/lapgate.yaml --set status.listen=none 2>"$work/daemon2.log" &
daemon=$!
armed "after the upgrade"
before=$(outcomes)
until test "$(outcomes)" -ge "$((before + 3))"; do kill -0 "$sim"; kill -0 "$daemon"; sleep 0.5; done
kill -INT "$sim" # it tells how many rolls have left, and how many outcomes nobody took
wait "$sim" || true
kill "$daemon"
wait "$daemon"
same_journal "after the upgrade"
echo "same journal, with all that was in it before"
left=$(sed -n 's/^simulated shift stopped after \([0-9]*\) of .*/\1/p' "$work/sim.log")
open=$(sed -n 's/.* \([0-9]*\) outcomes not acknowledged.*/\1/p' "$work/sim.log")
open=${open:-0}
numbers=$("${as_daemon[@]}" lapgate journal list --kind OUTCOME --json "$journal" | grep -o '"roll_no":[0-9]*' | sort -u | wc -l)
test "$numbers" = "$(outcomes)" && test "$numbers" -ge "$((left - open))" && test "$numbers" -le "$left" ||
  { echo "the journal has $(outcomes) outcomes of $numbers rolls; $left rolls left, $open of them not acknowledged"; exit 1; }
echo "$left rolls left, $open of them not acknowledged yet, and the journal has each of $numbers once"

holds "removed" "${inside[@]}" dpkg --remove lapgate
absent "no program is left" /usr/bin/lapgate /usr/lib/lapgate
holds "configuration and journal are kept" test -s "$mill" -a -s "$root$journal"
holds "purged" "${inside[@]}" dpkg --purge lapgate
if grep "^lapgate:" "$root/etc/passwd" "$root/etc/group"; then echo "the user is left"; exit 1; fi
absent "nothing is left" /etc/lapgate /var/lib/lapgate /usr/share/lapgate /usr/lib/systemd/system/lapgate.service

wait "$linting" || { echo "lintian finds something"; exit 1; }
echo "lintian"
umount "$root/proc"
testdata/e2e/package-booted.sh "$root"
ls -l "$work"/later/*.deb | awk '{ printf "size of the package: %.1f MB\n", $5 / 1e6 }'
