#!/usr/bin/env bash
# Kills the real daemon with signal 9 at random moments of four shifts side by side and
# starts it again on the same journal. Each line is armed to last, and must be armed again by each
# daemon that finds its controller. Usage: 21-kill.sh [kills, default 50]
set -euo pipefail
cd "$(dirname "$0")/../.."
LAPGATE_KILLS="${1:-50}" go test -count=1 -timeout 0 -v -run '^TestKill$' ./cmd/lapgate
