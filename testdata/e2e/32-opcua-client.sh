#!/usr/bin/env bash
# A client on node-opcua browses, reads, writes and subscribes to the simulator,
# encrypted, with a user name and through a trust list; one that is not trusted
# is refused.
source "$(dirname "$0")/standin.sh"
client() { timeout 600 node testdata/standin/opcua/client.mjs --pki "$work/pki-$1" "${@:2}" 2>>"$work/client.log"; }
export STANDIN_PASSWORD="for-this-run-$$"
nodeset=configs/controller/lapgate.NodeSet2.xml
command -v xmllint >/dev/null && xmllint --noout --nonet \
  --schema testdata/standin/opcua/node_modules/node-opcua-nodesets/nodesets/UANodeSet.xsd "$nodeset" 2>&1

mkdir "$work/trusted"
client known --certificate "$work/trusted/client.pem"
client stranger --certificate "$work/stranger.pem"
echo "line:$STANDIN_PASSWORD" >"$work/users"
start sim "$work/lapgate" sim --opcua 127.0.0.1:0 --opcua-users "$work/users" --opcua-trust "$work/trusted" --state "$work/state"
endpoint=$(await "$work/sim.out" 'opcua (opc.*)' "$pid")
client known --endpoint "$endpoint" --nodeset "$nodeset" --user line
client stranger --endpoint "$endpoint" --user line --refused
