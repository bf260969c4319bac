#!/usr/bin/env bash
# The daemon wraps a shift of 40 rolls on a controller written in JavaScript on
# node-opcua, from the description of the handshake alone, encrypted and with a
# user name. Before its certificate is accepted, the daemon does not connect.
# Then every policy and mode is tried against it by looking around.
source "$(dirname "$0")/standin.sh"

opcua_standin plain --rolls 40 --limit 600 --modes None,Sign,SignAndEncrypt
address=$(await "$work/standin-plain.out" 'listening (.*)' "$standin")
code=0
"$work/lapgate" trust accept "$address" --folder "$work/empty" >"$work/offered.log" 2>&1 || code=$?
test "$code" -eq 5 # nothing is trusted on first use

look() {
  "$work/lapgate" probe opcua "$address" --folder "$work/pki" --user line --password env:STANDIN_PASSWORD \
    --policy "$1" --mode "$2" --browse --depth 9 --most 300 >"$work/look.log" 2>&1
  grep -q 'north\.Outcome\.63' "$work/look.log" # the blocks were come to
  echo "looked around with $1 $2"
}
look None None
for policy in Basic256Sha256 Aes128_Sha256_RsaOaep Aes256_Sha256_RsaPss; do
  look "$policy" Sign
  look "$policy" SignAndEncrypt
done

shift_of plain 'accepted>=30' 'held>=1'
