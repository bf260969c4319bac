#!/usr/bin/env bash
# Installs the Debian package in a root made by debootstrap: the same bytes from two
# builds, lintian, the first installation, a demonstration, an upgrade that is refused
# for a broken configuration, one in the middle of a shift, removal and purge. Needs
# root, debootstrap and lintian, and a minute or ten.
# Usage: package.sh [folder that debootstrap has filled with systemd and adduser]
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
root=$work/root
clean() {
  code=$?
  kill $(jobs -p) 2>/dev/null || true
  wait || true
  if test "$code" -ne 0; then
    for log in "$work"/*.log; do test -s "$log" && { echo "-- $(basename "$log")"; tail -n 30 "$log"; }; done
  fi
  umount "$root/proc" 2>/dev/null || true
  rm -rf --one-file-system "$work"
}
trap clean EXIT
trap 'exit 130' INT TERM

inside=(chroot "$root" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive)
as_daemon=("${inside[@]}" setpriv --reuid=lapgate --regid=lapgate --init-groups)
# holds STEP COMMAND... fails unless the command succeeds.
holds() {
  local step=$1
  shift
  "$@" >"$work/holds.log" 2>&1 || { echo "$step: $* fails"; cat "$work/holds.log"; exit 1; }
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
for copy in one two; do
  TMPDIR=$(mktemp -d -p "$work") "$work/source/configs/package/build.sh" "$work/$copy" amd64
done
holds "two builds in two folders give the same bytes" cmp "$work"/one/*.deb "$work"/two/*.deb
git -C "$work/source" -c user.name=test -c user.email=test@localhost.invalid commit --quiet --allow-empty --message "another version" --date "now"
"$work/source/configs/package/build.sh" "$work/later" amd64
holds "lintian" lintian --profile debian --allow-root --fail-on error,warning "$work"/later/*.deb

if test $# -gt 0; then cp -a "$1" "$root"; else
  debootstrap --variant=minbase --include=systemd,adduser bookworm "$root" http://deb.debian.org/debian >"$work/debootstrap.log" 2>&1
fi
mkdir -p "$root/proc" && mount -t proc proc "$root/proc"
mkdir "$root/packages"
cp "$work"/one/*.deb "$root/packages/first.deb"
cp "$work"/later/*.deb "$root/packages/later.deb"

holds "installed" "${inside[@]}" dpkg --install /packages/first.deb
test "$(current)" = lapgate
holds "the unit passes systemd-analyze verify, but for what an older systemd does not know" "${inside[@]}" sh -c \
  'said=$(systemd-analyze verify --man=no lapgate.service 2>&1) || { echo "$said"; exit 1; }; ! echo "$said" | grep lapgate | grep -v notify-reload'
absent "neither enabled nor started" /etc/systemd/system/multi-user.target.wants/lapgate.service /var/lib/lapgate/journal
holds "a demonstration" "${as_daemon[@]}" lapgate demo --rolls 12 --speed 2000
code=0
"${as_daemon[@]}" lapgate check /etc/lapgate/lapgate.yaml >"$work/check.log" 2>&1 || code=$?
test "$code" = 5 || { echo "check of the first configuration ends with $code, want 5 for open values"; exit 1; }

# A shift of the demonstration's mill, served by the installed program.
"${as_daemon[@]}" lapgate sim --rolls 40 --speed 40 >"$work/sim.out" 2>"$work/sim.log" &
sim=$!
until address=$(sed -n 's/.*modbus-tcp \(.*\)/\1/p' "$work/sim.out") && test -n "$address"; do kill -0 "$sim"; sleep 0.1; done
mill=$root/etc/lapgate/lapgate.yaml
sed -e "s/127.0.0.1:1502/$address/" -e "s#directory: journal#directory: /var/lib/lapgate/journal#" configs/demo.yaml >"$mill"
cp "$mill" "$work/mill.yaml"
"${as_daemon[@]}" /usr/lib/lapgate/current run --config /etc/lapgate/lapgate.yaml --set status.listen=none 2>"$work/daemon.log" &
daemon=$!
until "${inside[@]}" lapgate arm --config /etc/lapgate/lapgate.yaml --line north --by script --reason "a trial" --keep >"$work/arm.log" 2>&1; do
  kill -0 "$sim"; kill -0 "$daemon"
  sleep 0.2
done
journal=/var/lib/lapgate/journal/north.db
outcomes() { "${as_daemon[@]}" lapgate journal list --kind OUTCOME --json "$journal" | wc -l; }
until test "$(outcomes)" -ge 3; do kill -0 "$sim"; kill -0 "$daemon"; sleep 0.5; done

echo "nonsense: 1" >>"$mill"
if "${inside[@]}" dpkg --install /packages/later.deb >"$work/upgrade.log" 2>&1; then echo "a broken configuration was not refused"; exit 1; fi
for pattern in 'the new version is refused: check of /etc/lapgate/lapgate.yaml ends with 3' 'nonsense'; do
  grep -q "$pattern" "$work/upgrade.log" || { echo "not told: $pattern"; exit 1; }
done
test "$(current)" = previous
kill -0 "$daemon"
"${inside[@]}" cmp /usr/lib/lapgate/lapgate /usr/lib/lapgate/previous >/dev/null 2>&1 && { echo "previous is the new program"; exit 1; }
holds "an upgrade with a broken configuration is refused, and the program before it still serves" "${inside[@]}" lapgate version

cp "$work/mill.yaml" "$mill"
# A program before it that decided otherwise: a stand-in for previous, which tells another
# list of what it would change.
mv "$root/usr/lib/lapgate/previous" "$work/previous"
printf '#!/bin/sh\necho another decision\nexit 5\n' >"$root/usr/lib/lapgate/previous"
chmod 755 "$root/usr/lib/lapgate/previous"
if "${inside[@]}" dpkg --configure lapgate >"$work/upgrade.log" 2>&1; then echo "other decisions were not refused"; exit 1; fi
mv "$work/previous" "$root/usr/lib/lapgate/previous"
grep -q 'the new version is refused: it decides recorded rolls of line north otherwise' "$work/upgrade.log"
test "$(current)" = previous
echo "an upgrade that decides recorded rolls otherwise is refused"

head=$("${as_daemon[@]}" lapgate journal verify "$journal" | sed -n 's/^head *\([0-9]*:[0-9a-f]*\).*/\1/p')
test -n "$head" || { echo "verify tells no head"; exit 1; }
kill -0 "$sim" || { echo "the shift is over before the upgrade; it was to be in its middle"; exit 1; }
holds "upgraded in the middle of a shift" "${inside[@]}" dpkg --configure lapgate
test "$(current)" = lapgate
cmp "$work/mill.yaml" "$mill"
"${inside[@]}" sh -c 'lapgate journal verify /var/lib/lapgate/backup/north-before-*.db' >"$work/backup.log" 2>&1
# No service manager runs in this root; it would end the daemon like this.
kill "$daemon"
wait "$daemon" || { echo "the daemon ended with $?"; exit 1; }
"${as_daemon[@]}" /usr/lib/lapgate/current run --config /etc/lapgate/lapgate.yaml --set status.listen=none 2>"$work/daemon2.log" &
daemon=$!
until "${inside[@]}" lapgate arm --config /etc/lapgate/lapgate.yaml --line north --by script --reason "after the upgrade" >"$work/arm.log" 2>&1; do
  kill -0 "$sim"; kill -0 "$daemon"
  sleep 0.2
done
wait "$sim" || { echo "the shift ended with $?"; exit 1; }
holds "same journal, with all that was in it before" "${as_daemon[@]}" lapgate journal verify "$journal" --head "$head"
until test "$(outcomes)" = 40; do kill -0 "$daemon"; sleep 0.5; done
echo "40 rolls, 40 outcomes"
kill "$daemon"
wait "$daemon"

holds "removed" "${inside[@]}" dpkg --remove lapgate
absent "no program is left" /usr/bin/lapgate /usr/lib/lapgate
holds "configuration and journal are kept" test -s "$mill" -a -s "$root$journal"
holds "purged" "${inside[@]}" dpkg --purge lapgate
absent "nothing is left" /etc/lapgate /var/lib/lapgate /usr/share/lapgate /lib/systemd/system/lapgate.service
ls -l "$work"/later/*.deb | awk '{ printf "size of the package: %.1f MB\n", $5 / 1e6 }'
