#!/usr/bin/env bash
# Has faults befall the one of two real daemons that acts, on a private PostgreSQL and a
# simulated line: killed, stopped and woken, cut off by a network that drops, the engine
# restarted and away. Usage: 70-pair.sh [tries of each, default 3] [kills of a daemon with
# ten lines, default 0]
set -euo pipefail
cd "$(dirname "$0")/../.."
LAPGATE_POSTGRESQL=required go test -count=1 -timeout 0 -v -run '^(TestPairFaults|TestPairKills)$' ./cmd/lapgate \
	-pair-tries "${1:-3}" -pair-kills "${2:-0}"
