#!/usr/bin/env bash
# The daemon wraps a shift of 40 rolls on a controller written in Python on
# pymodbus, from the description of the handshake alone.
source "$(dirname "$0")/standin.sh"

modbus_standin plain --rolls 40 --limit 600
shift_of plain 'accepted>=30' 'held>=1'
