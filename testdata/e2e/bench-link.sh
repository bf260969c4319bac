#!/usr/bin/env bash
# Measures one poll and one delivery through the Modbus link, by bare calls of
# its library, and in a loop in C on libmodbus where that is installed: in turns,
# in one run, against one server in a process of its own.
# Usage: bench-link.sh [time for each, default 3s]
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
if pkg-config --exists libmodbus 2>/dev/null && command -v cc >/dev/null; then
  cc -O2 -Wall -Werror -o "$work/libmodbus_loop" testdata/bench/libmodbus_loop.c $(pkg-config --cflags --libs libmodbus)
  export LAPGATE_LIBMODBUS_LOOP="$work/libmodbus_loop"
else
  echo "libmodbus-dev or a C compiler is missing: measured without it" >&2
fi
go test -run '^$' -bench '^BenchmarkLink$' -benchtime "${1:-3s}" -count 1 ./gateway/link/modbus
