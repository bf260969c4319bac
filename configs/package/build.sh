#!/usr/bin/env bash
# Builds the Debian packages of the newest commit into a folder, the same bytes on
# every machine with the same Go:
#
#   configs/package/build.sh FOLDER [amd64|arm64|armhf ...]
set -euo pipefail
out=${1:?want the folder for the packages} && shift
architectures=("$@")
test $# -gt 0 || architectures=(amd64 arm64 armhf)
mkdir -p "$out" && out=$(cd "$out" && pwd)
cd "$(dirname "$0")/../.."
nfpm=github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
# A clone holds the commit and nothing else, and Go stamps what it builds there.
git clone --quiet --no-hardlinks . "$work/source"
cd "$work/source"
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct) && export SOURCE_DATE_EPOCH
export CGO_ENABLED=0 GOOS=linux GOFLAGS=-trimpath GOWORK=off LC_ALL=C TZ=UTC
GOOS="" GOFLAGS="" GOBIN="$work" go install "$nfpm"

# build ARCHITECTURE FILE compiles for an architecture by Debian's name.
build() {
  local arch=$1
  test "$arch" != armhf || arch=arm
  GOARCH=$arch GOARM=7 go build -ldflags '-s -w -buildid=' -o "$2" ./cmd/lapgate
}

# modules FILE lists the modules in a program: path and version.
modules() { go version -m "$1" | awk '$1 == "dep" { path = $2; version = $3; if (held) print held; held = path " " version }
  $1 == "=>" { held = $2 " " $3 } END { print held }' | sort; }

# notices FILE prints the licences of all that is in a program.
notices() {
  printf '== Go %s, standard library\n\n' "$(go env GOVERSION)"
  cat "$(go env GOROOT)/LICENSE"
  modules "$1" | while read -r path version; do
    local folder found=""
    folder=$(go mod download -json "$path@$version" | sed -n 's/^\t"Dir": "\(.*\)",*$/\1/p')
    for text in "$folder"/*; do
      case $(basename "$text" | tr a-z A-Z) in LICENSE* | LICENCE* | COPYING* | NOTICE* | PATENTS*) ;; *) continue ;; esac
      test -f "$text" || continue
      found=1
      printf '\n\n== %s %s, %s\n\n' "$path" "$version" "$(basename "$text")"
      cat "$text"
    done
    test -n "$found" || { echo "$path $version has no licence file" >&2; exit 1; }
  done
}

# sbom FILE VERSION prints the bill of materials, CycloneDX 1.5.
sbom() {
  printf '{"bomFormat":"CycloneDX","specVersion":"1.5","version":1,"metadata":{"timestamp":"%s","component":' "$(date -u -d "@$SOURCE_DATE_EPOCH" +%FT%TZ)"
  printf '{"type":"application","bom-ref":"lapgate","name":"lapgate","version":"%s","licenses":[{"license":{"id":"Apache-2.0"}}]}},"components":[\n' "$2"
  printf '{"type":"library","bom-ref":"pkg:golang/std@%s","name":"std","version":"%s","purl":"pkg:golang/std@%s"}' "$(go env GOVERSION)" "$(go env GOVERSION)" "$(go env GOVERSION)"
  modules "$1" | while read -r path version; do
    printf ',\n{"type":"library","bom-ref":"pkg:golang/%s@%s","name":"%s","version":"%s","purl":"pkg:golang/%s@%s"}' "$path" "$version" "$path" "$version" "$path" "$version"
  done
  printf '\n]}\n'
}

# What any architecture has: what the program of this machine says of itself, and the
# first configuration, as init writes it, with the places of the service.
host=$(go env GOHOSTARCH)
test "$host" != arm || host=armhf
build "$host" "$work/here"
"$work/here" init "$work/first.yaml" --units metric --name north --controller 127.0.0.1:502 \
  --sizes '600 mm..1400 mm x 500 mm..2400 mm' --hanging '900 mm, brown; 1250 mm, brown; 1600 mm, brown; 2100 mm, brown' \
  --heads 'poly-board, fused, 177 °C, 600 mm..1400 mm by 50 mm' --grades '1, news, open' \
  --cores '1, slim, 96 mm' --speeds '0.6 m/s, 0.4 m/s' --stations all >/dev/null 2>&1
sed -i 's|^  directory: journal .*|  directory: /var/lib/lapgate/journal\n\ncontrol:\n  socket: /run/lapgate/control.sock|' "$work/first.yaml"
grep -q /var/lib/lapgate/journal "$work/first.yaml"
"$work/here" check "$work/first.yaml" >/dev/null 2>&1 || test $? = 5 # open values alone
stamp=$("$work/here" version | awk '$1 == "version" { print $2 }')
test "$stamp" != devel || { echo "Go stamped no version; is git there?" >&2; exit 1; }
VERSION=$(printf %s "${stamp#v}" | sed 's/-/~/; s/-/./g') && export VERSION

"$work/here" man "$work/man" >/dev/null
gzip -9n "$work"/man/*
"$work/here" handbook --output "$work/handbook.html"
for shell in bash zsh fish; do "$work/here" completion "$shell" >"$work/completion.$shell"; done

for architecture in "${architectures[@]}"; do
  stage="$work/$architecture"
  mkdir "$stage"
  if test "$architecture" = "$host"; then cp "$work/here" "$stage/lapgate"; else build "$architecture" "$stage/lapgate"; fi
  cp -r configs/package/nfpm.yaml configs/package/scripts configs/package/copyright configs/package/lintian-overrides \
    configs/package/lapgate.service configs/prometheus-rules.yaml "$stage"
  cp "$work/first.yaml" "$stage/lapgate.yaml"
  cp -r "$work/man" "$work/handbook.html" "$work"/completion.* "$stage"
  sbom "$stage/lapgate" "$stamp" >"$stage/sbom.json"
  notices "$stage/lapgate" | gzip -9n >"$stage/notices.gz"
  gzip -9nc README.md >"$stage/README.md.gz"
  printf 'lapgate (%s) unstable; urgency=medium\n\n  * Built from %s.\n\n -- The lapgate authors <authors@lapgate.invalid>  %s\n' \
    "$VERSION" "$(git rev-parse HEAD)" "$(date -u -d "@$SOURCE_DATE_EPOCH" -R)" | gzip -9n >"$stage/changelog.gz"
  arch=$architecture
  test "$arch" != armhf || arch=arm7
  (cd "$stage" && ARCH=$arch "$work/nfpm" package --packager deb --config nfpm.yaml --target "$out/lapgate_${VERSION}_$architecture.deb" >/dev/null)
  sha256sum "$out/lapgate_${VERSION}_$architecture.deb"
done
