#!/usr/bin/env bash
# The daemon wraps a shift of 40 rolls on a controller written in Python on
# pymodbus, from the description of the handshake alone.
source "$(dirname "$0")/standin.sh"
export PYTHONDONTWRITEBYTECODE=1
python=python3
python3 -c 'import pymodbus' 2>/dev/null || python=/usr/bin/python3

start standin "$python" testdata/standin/modbus_controller.py --rolls 40
standin=$pid
address=$(await "$work/standin.out" 'listening (.*)' "$standin")
shift_of "$standin" --set "lines.0.controller.address=$address"
