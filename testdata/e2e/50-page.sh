#!/usr/bin/env bash
# Looks at the live page and a roll's page as a browser lays them out, in each state of
# testdata/page: on a phone, on a desktop, in the dark, printed, with script off, and in a
# language of longer words.
# No outside resource, a text for every drawing, contrast of 4.5 at least, nothing that
# scrolls sideways at 360 px; the handbook likewise. Then a shift is wrapped while 32 viewers look and one of
# them takes nothing.
# Usage: 50-page.sh [folder for the screenshots]
source "$(dirname "$0")/standin.sh"
shots="${1:-$work/shots}"
mkdir -p "$shots"
shots=$(cd "$shots" && pwd)
browser=$(command -v chromium || command -v chromium-browser || command -v google-chrome) ||
  { echo "no Chromium: nobody looked at the page"; exit 1; }
# look PROFILE FLAG... URL starts a browser that nothing is remembered of.
look() {
  local profile=$1
  shift
  timeout 600 "$browser" --headless --no-sandbox --disable-gpu --hide-scrollbars --user-data-dir="$work/$profile" "$@" 2>>"$work/$profile.err"
}

go build -o "$work/page" ./testdata/page
"$work/lapgate" handbook --output "$work/handbook.html"
start page "$work/page" -handbook "$work/handbook.html" -words configs/words-de.csv
base=$(await "$work/page.out" '(http://.*/)$' "$pid")

# seen NAME WIDTH PATH FLAG... lays a page out, takes its picture and fails for what is wrong with it.
seen() {
  local name=$1 width=$2 path=$3 found height=2800
  shift 3
  test "$width" -gt 400 || height=4300
  found=$(look "profile-$name" --window-size="$width,$height" "$@" --screenshot="$shots/$name.png" --dump-dom "$base${path/\///frame/$width/}" |
    grep -o 'data-\(looked\|wrong\)="[^"]*"') || true
  rm -rf "$work/profile-$name"
  test -s "$shots/$name.png" || { echo "$name: no picture"; return 1; }
  grep -q "width $width\"" <<<"$found" || { echo "$name was not laid out $width wide: $found"; return 1; }
  grep -q 'data-wrong=""' <<<"$found" || { echo "$name: $found"; return 1; }
  echo "$name: $(sed -n 's/data-looked="\(.*\)"/\1/p' <<<"$found")"
}
export -f seen look
export work base shots browser

dark=--blink-settings=preferredColorScheme=0
{
  for state in shadow waiting go held-no-slot held-permissive held-scan held-grade held-platen alarm link-down ended; do
    echo "$state-phone 360 $state/"
    echo "$state-desktop 1200 $state/"
  done
  for state in go held-no-slot alarm link-down; do
    echo "$state-dark 1200 $state/ $dark"
  done
  echo roll-phone 360 go/roll/north/41
  echo roll-desktop 1200 go/roll/north/41
  echo roll-held-desktop 1200 held-no-slot/roll/north/41
  echo "roll-dark 1200 go/roll/north/37 $dark"
  for state in shadow go held-no-slot alarm; do # in German, and with tags as long as there are
    echo "$state-german-phone 360 words-$state/"
  done
  echo go-german-desktop 1200 words-go/
  echo roll-german-phone 360 words-go/roll/north/41
  echo handbook-phone 360 handbook/
  echo handbook-desktop 1200 handbook/
  echo "handbook-dark 1200 handbook/ $dark"
  echo "handbook-dark-phone 360 handbook/ $dark"
} >"$work/looks"
xargs -P 2 -I{} bash -c 'seen {}' <"$work/looks" || { echo "a page is not as it should be"; exit 1; }

# A roll's page prints on one sheet.
look profile --no-pdf-header-footer --print-to-pdf="$work/roll.pdf" "${base}go/roll/north/40" >/dev/null
sheets=$(grep -ac '/Type */Page$\|/Type */Page[^s]' "$work/roll.pdf")
test "$sheets" = 1 || { echo "the roll's page prints on $sheets sheets"; exit 1; }
look profile --window-size=794,1123 --screenshot="$shots/roll-print.png" "${base}go/print/roll/north/40" >/dev/null
echo "a roll's page prints on $sheets sheet"

# Script off: all of it is there, and the page loads itself again.
look profile --window-size=380,1620 --screenshot="$shots/script-off.png" "${base}held-no-slot/off/" >/dev/null
look profile --dump-dom "${base}held-no-slot/off/" | grep -o 'data-seen="[^"]*"' >"$work/script-off"
for want in 'Hang kraft-poly, 51.8 to 58.6 in wide, in slot 4' 'Last rolls' 'Recipe in force' 'Script is off'; do
  grep -qF "$want" "$work/script-off" || { echo "with script off the page lacks: $want"; exit 1; }
done
curl -s "${base}held-no-slot/" >"$work/served.html"
grep -q '<noscript><meta http-equiv="refresh" content="5"></noscript>' "$work/served.html"

# Script on: the panels are replaced by those of the events.
look profile --dump-dom "${base}go/stale/" >"$work/refreshed.html"
grep -q 'Line north' "$work/refreshed.html"
! grep -q 'not refreshed yet' "$work/refreshed.html" || { echo "the script replaced nothing"; exit 1; }
echo "works with script off, refreshes with script on"

# A shift under 32 viewers, of whom one takes nothing, and a 33rd who is told so.
start sim "$work/lapgate" sim --rolls 6 --speed 60
sim=$pid standin=$pid
link=(--set status.listen=127.0.0.1:0 --set "lines.0.controller.address=$(await "$work/sim.out" 'modbus-tcp (.*)' "$sim")")
daemon viewed
daemon=$pid
page=$(await "$work/daemon-viewed.log" 'status page.*"address": *"(http://[^"]*)"' "$daemon")
for viewer in $(seq 31); do
  start "viewer-$viewer" curl -sN "${page}events"
done
start viewer-slow curl -sN --limit-rate 1 "${page}events"
for viewer in $(seq 31) slow; do
  until test -s "$work/viewer-$viewer.out" || ! kill -0 "$sim" 2>/dev/null; do sleep 0.1; done
done
refused=$(curl -s -m 60 -w ' (%{http_code})' "${page}events" | tr -d '\n')
case $refused in *"(503)") ;; *) echo "more than 32 viewers were refreshed"; exit 1 ;; esac
echo "the 33rd viewer is told: $refused"
wait "$sim" || { echo "the shift failed under the viewers"; exit 1; }
kill "$daemon"
wait "$daemon"
"$work/lapgate" journal verify "$work/journal-viewed/north.db" | head -n 1
roll=$("$work/lapgate" journal list "$work/journal-viewed/north.db" --kind request --newest 1 --json | sed -n 's/.*"roll_no":\([0-9]*\).*/\1/p')
"$work/lapgate" why "$roll" "$work/journal-viewed/north.db" --config configs/demo.yaml | grep -E '^(roll|verdict|outcome) '
