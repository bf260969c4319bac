#!/usr/bin/env bash
# The daemon wraps a shift of 40 rolls on a controller written in JavaScript on
# node-opcua, from the description of the handshake alone, encrypted and with a
# user name. Before its certificate is accepted, the daemon does not connect.
# Then every policy and mode is tried against it by looking around.
source "$(dirname "$0")/standin.sh"
export STANDIN_PASSWORD="for-this-run-$$"

start standin node testdata/standin/opcua/controller.mjs --nodeset configs/controller/lapgate.NodeSet2.xml \
  --pki "$work/controller" --user line --rolls 40 --modes None,Sign,SignAndEncrypt
standin=$pid
address=$(await "$work/standin.out" 'listening (.*)' "$standin")

code=0
"$work/lapgate" trust accept "$address" --folder "$work/pki" >"$work/offered.log" 2>&1 || code=$?
test "$code" -eq 5 # nothing is trusted on first use
fingerprint=$(openssl x509 -in "$work/controller/own/certs/certificate.pem" -noout -sha256 -fingerprint | cut -d= -f2)
"$work/lapgate" trust accept "$address" --folder "$work/pki" --fingerprint "$fingerprint" >>"$work/offered.log"

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

opcua=lines.0.controller.opcua
shift_of "$standin" --set lines.0.controller.protocol=opcua --set lines.0.controller.plain=false \
  --set "lines.0.controller.address=$address" --set "$opcua.certificates=$work/pki" \
  --set "$opcua.user=line" --set "$opcua.password=env:STANDIN_PASSWORD"
