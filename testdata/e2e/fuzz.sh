#!/usr/bin/env bash
# Runs every fuzz target of the module for a while, from the seeds of its test, of
# testdata/fuzz and of earlier runs. What makes a target fail is kept, and so is all that
# reached new code; fuzz-seeds.py takes of that into testdata/fuzz what is worth it.
# Usage: fuzz.sh [time for each, default 10s] [folder for what is found, default fuzz]
set -euo pipefail
cd "$(dirname "$0")/../.."
found=0 failed=0
keep="${2:-fuzz}"
mkdir -p "$keep"
keep=$(cd "$keep" && pwd)
while IFS=: read -r file target; do
  found=$((found + 1))
  at=$(dirname "$file")
  printf 'fuzz %s %s: ' "$at" "$target"
  before=$(mktemp)
  # On a busy machine the end of the time can break off go test itself, which finds nothing.
  while code=0; out=$(go test -run='^$' -fuzz="^$target\$" -fuzztime="${1:-10s}" -fuzzminimizetime=10x "./$at") || code=$?
    test "$code" -ne 0 && grep -q '^ *context deadline exceeded$' <<<"$out" && ! grep -q 'Failing input' <<<"$out"; do :; done
  if test "$code" -eq 0; then
    sed -n 's/.*\(execs: [0-9]*\).*/\1/p' <<<"$out" | tail -n 1
  else
    echo "$out"
    failed=$((failed + 1))
    mkdir -p "$keep/failed/$at/$target"
    echo "what failed is kept in $keep/failed/$at/$target; put it into $at/testdata/fuzz/$target to see it again"
    find "$at/testdata/fuzz/$target" -type f -newer "$before" -exec mv -t "$keep/failed/$at/$target" {} +
  fi
  rm "$before"
done < <(grep -rEo --include='*_test.go' '^func Fuzz[A-Za-z0-9_]+' . | sed 's/^\.\///; s/func //')
cache=$(go env GOCACHE)/fuzz
test ! -d "$cache" || cp -a "$cache/." "$keep"
test "$found" -gt 0 && test "$failed" -eq 0
