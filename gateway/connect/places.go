package connect

import (
	"fmt"
	"strings"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/plc"
)

// Places tells where the blocks of a configured line stand.
func Places(l *config.Line) plc.Places {
	if l.Controller.Protocol == config.OPCUA {
		s := Server(l)
		namespace := s.NamespaceURI
		if namespace == "" {
			namespace = opcua.NamespaceURI
		}
		return plc.Places{Node: func(id handshake.ID, entry int) string {
			name, ok := s.Nodes[id]
			if !ok {
				name = opcua.NodeName(s.Line, id, entry)
			}
			return nodeText(namespace, name, entry)
		}}
	}
	return plc.Places{Address: Registers(l)}
}

// Registers tells the zero-based holding register at which a block stands, and
// an entry of the outcome ring.
func Registers(l *config.Line) func(id handshake.ID, entry int) int {
	b := &l.Controller.Bases
	base := map[handshake.ID]uint16{
		handshake.REQ: b.Request, handshake.OUT: b.Outcomes, handshake.HEARTBEAT: b.Heartbeat, handshake.HELLO: b.Hello,
		handshake.PAYLOAD: b.Payload, handshake.COMMIT: b.Commit, handshake.ACK: b.Ack, handshake.LIMITS: b.Limits,
	}
	return func(id handshake.ID, entry int) int {
		at := int(base[id])
		if id == handshake.OUT {
			at += entry * handshake.OutWords
		}
		return at
	}
}

// nodeText writes a node with the name of its namespace, whose number differs
// from server to server. A configured identifier may say its kind itself, and
// has an asterisk where the two digits of an entry go.
func nodeText(namespace, identifier string, entry int) string {
	identifier = strings.Replace(identifier, "*", fmt.Sprintf("%02d", entry), 1)
	if len(identifier) < 2 || identifier[1] != '=' || !strings.ContainsRune("sigb", rune(identifier[0])) {
		identifier = "s=" + identifier
	}
	return "nsu=" + namespace + ";" + identifier
}
