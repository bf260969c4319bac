#!/usr/bin/env bash
# Has faults befall the one of two real daemons that acts, on a private PostgreSQL and
# simulated lines: killed, stopped and woken, cut off by a network that drops, also with a
# COMMIT on its way, which comes when another has taken over; the engine restarted and
# away; the clocks of both machines put back, one by more, and on again. And kills one of
# two that serve ten lines, again and again. Usage: 70-pair.sh [tries of each fault, default 3]
# [kills of a daemon with ten lines, default 20]
set -euo pipefail
cd "$(dirname "$0")/../.."
TEST_POSTGRESQL=required go test -count=1 -timeout 0 -v -run '^(TestPairFaults|TestPairKills)$' ./cmd/lapgate \
	-pair-tries "${1:-3}" -pair-kills "${2:-20}"
