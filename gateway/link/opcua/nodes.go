package opcua

import (
	"errors"
	"fmt"
	"strings"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
)

// NamespaceURI is the namespace of the line's nodes. Its index differs from
// server to server and from start to start, so it is looked up at each
// connect.
const NamespaceURI = "urn:lapgate:line"

// NodeName is the identifier of the variable that holds a block, for
// handshake.OUT of one entry of the ring, a string in the namespace
// NamespaceURI: the name of the line, a dot and Request, Outcome.00 to
// Outcome.63, Heartbeat, Hello, Payload, Commit, Ack or Limits. Every variable is an
// array of UInt16 of the length of its block.
func NodeName(line string, id handshake.ID, entry int) string {
	if id == handshake.OUT {
		return fmt.Sprintf("%s.Outcome.%02d", line, entry)
	}
	return line + "." + names()[id]
}

func names() map[handshake.ID]string {
	return map[handshake.ID]string{
		handshake.REQ:       "Request",
		handshake.HEARTBEAT: "Heartbeat",
		handshake.HELLO:     "Hello",
		handshake.PAYLOAD:   "Payload",
		handshake.COMMIT:    "Commit",
		handshake.ACK:       "Ack",
		handshake.LIMITS:    "Limits",
	}
}

// entryMark stands for the two digits of an entry of the ring in a configured
// identifier.
const entryMark = "*"

// identifier is the node of a block as configured, or by its name.
func (s *Settings) identifier(id handshake.ID, entry int) string {
	text, ok := s.Nodes[id]
	if !ok {
		return NodeName(s.Line, id, entry)
	}
	if id == handshake.OUT {
		return strings.Replace(text, entryMark, fmt.Sprintf("%02d", entry), 1)
	}
	return text
}

// nodeID makes the node of a namespace index and an identifier as configured:
// plain text is a string identifier; "i=", "g=" and "b=" begin the other
// kinds, and "s=" a string that would be taken for one of them.
func nodeID(namespace uint16, identifier string) (*ua.NodeID, error) {
	if len(identifier) < 2 || identifier[1] != '=' || !strings.ContainsRune("sigb", rune(identifier[0])) {
		identifier = "s=" + identifier
	}
	if identifier == "s=" {
		return nil, errors.New("identifier of a node is empty")
	}
	n, err := ua.ParseNodeID(fmt.Sprintf("ns=%d;%s", namespace, identifier))
	if err != nil {
		return nil, fmt.Errorf("identifier %q: %w", identifier, err)
	}
	return n, nil
}
