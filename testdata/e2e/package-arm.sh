#!/usr/bin/env bash
# Builds the packages for arm64 and armhf and starts their programs under qemu: version,
# check of the first configuration, and a demonstration of three rolls, each with the same
# words as from the program of this machine. Needs qemu-user-static and a minute or three.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
configs/package/build.sh "$work/packages" amd64 arm64 armhf
# said PROGRAM... prints what the commands say; of the demonstration what does not hang on
# how fast the machine is.
said() {
  local code=0
  "$@" version | grep -v '^platform'
  "$@" check "$work/amd64/usr/share/lapgate/lapgate.yaml" 2>&1 || code=$?
  echo "check ends with $code"
  "$@" demo --rolls 3 --speed 20 --csv | cut --delimiter , --fields 1-7,10
}
for architecture in amd64 arm64 armhf; do
  dpkg-deb --extract "$work"/packages/*_"$architecture".deb "$work/$architecture"
  program=$work/$architecture/usr/lib/lapgate/lapgate
  case $architecture in
  amd64) said "$program" >"$work/want" ;;
  arm64) said qemu-aarch64-static "$program" >"$work/got" ;;
  armhf) said qemu-arm-static "$program" >"$work/got" ;;
  esac
  test "$architecture" = amd64 || diff "$work/want" "$work/got" || { echo "$architecture: says something else"; exit 1; }
  ls -l "$work"/packages/*_"$architecture".deb | awk -v name="$architecture" '{ printf "%s: %.1f MB\n", name, $5 / 1e6 }'
done
