#!/usr/bin/env bash
# Runs every fuzz target of the module for a while. Usage: fuzz.sh [time for each, default 10s]
set -euo pipefail
cd "$(dirname "$0")/../.."
found=0
while IFS=: read -r file target; do
  found=$((found + 1))
  printf 'fuzz %s %s: ' "$(dirname "$file")" "$target"
  out=$(go test -run='^$' -fuzz="^$target\$" -fuzztime="${1:-10s}" -fuzzminimizetime=10x "./$(dirname "$file")") ||
    { echo "$out"; exit 1; }
  sed -n 's/.*\(execs: [0-9]*\).*/\1/p' <<<"$out" | tail -n 1
done < <(grep -rEo --include='*_test.go' '^func Fuzz[A-Za-z0-9_]+' . | sed 's/^\.\///; s/func //')
test "$found" -gt 0
