package inspect

import (
	"context"
	"fmt"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
	"slices"
	"strings"
	"time"
)

// Block is one block as it was read from a controller.
type Block struct {
	Block   string            `json:"block"` // OUT has the entry behind it
	Where   string            `json:"where,omitempty"`
	Took    float64           `json:"took_s"`
	State   string            `json:"state"` // "decodes", "empty", "does not decode", "not read"
	Problem string            `json:"problem,omitempty"`
	Brief   string            `json:"brief,omitempty"`
	Fields  map[string]string `json:"fields,omitempty"`

	ID    handshake.ID `json:"-"`
	words []uint16
}

// What became of reading a block.
const (
	BlockDecodes = "decodes"
	BlockEmpty   = "empty"
	BlockBroken  = "does not decode"
	BlockUnread  = "not read"
)

// Blocks reads each block in a request of its own, and the entries of the
// ring that hold anything.
func Blocks(ctx context.Context, port link.Port, l *config.Line) []Block {
	var out []Block
	for _, id := range handshake.IDs() {
		entries := 1
		if id == handshake.OUT {
			entries = handshake.OutEntries
		}
		for entry := range entries {
			b := Block{Block: id.String(), ID: id, words: make([]uint16, handshake.Words(id)), Where: placeOf(l, id, entry)}
			if id == handshake.OUT {
				b.Block = fmt.Sprintf("%s %02d", id, entry)
			}
			asked := time.Now()
			err := port.Read(ctx, link.Span{Block: id, Entry: entry, Dst: b.words})
			b.Took = time.Since(asked).Seconds()
			if err != nil {
				b.State, b.Problem = BlockUnread, err.Error()
			} else {
				b.decode(l)
			}
			if id != handshake.OUT || b.State != BlockEmpty {
				out = append(out, b)
			}
			if link.ClassOf(err) == link.Down {
				return out // the port is dead
			}
		}
	}
	return out
}

// placeOf is where a block stands at the controller, empty where its protocol
// has no registers.
func placeOf(l *config.Line, id handshake.ID, entry int) string {
	if l.Controller.Protocol == config.OPCUA {
		return ""
	}
	layout, err := connect.Layout(l.Controller.Bases)
	if err != nil {
		return ""
	}
	kind := modbus.HoldingRegister
	if l.Controller.Modbus.Registers == config.InputRegisters && !handshake.GatewayOwned(id) {
		kind = modbus.InputRegister
	}
	from := layout.Address(id, entry)
	to := from + handshake.Words(id) - 1
	return fmt.Sprintf("%d..%d (%s..%s)", from, to, modbus.Notation(kind, from), modbus.Notation(kind, to))
}

func (b *Block) decode(l *config.Line) {
	err := handshake.Verify(b.ID, b.words)
	switch {
	case err == nil:
		b.State = BlockDecodes
		b.Brief = brief(b.ID, b.words)
		b.Fields = map[string]string{}
		for _, f := range handshake.Fields(b.ID) {
			b.Fields[f.Name] = fieldText(f, b.words, l)
		}
	case !slices.ContainsFunc(b.words, func(w uint16) bool { return w != 0 }):
		b.State = BlockEmpty
	default:
		b.State, b.Problem = BlockBroken, err.Error()
	}
}

// brief is the main thing about a block that decodes.
func brief(id handshake.ID, words []uint16) string {
	var (
		request   handshake.Request
		outcome   handshake.Outcome
		heartbeat handshake.Heartbeat
		hello     handshake.Hello
		payload   handshake.Payload
		commit    handshake.Commit
		ack       handshake.Ack
	)
	switch id {
	case handshake.REQ:
		if handshake.DecodeRequest(words, &request) == nil {
			return fmt.Sprintf("start %d, phase %s, roll %d %q, request %d, session %d, outcomes %d to %d",
				request.Boot, request.Phase, request.RollNo, request.Tag, request.Req, request.Active.Epoch, request.Acked+1, request.Produced)
		}
		return "torn: it was being written"
	case handshake.OUT:
		if handshake.DecodeOutcome(words, &outcome) == nil {
			return fmt.Sprintf("outcome %d, roll %d: %s", outcome.Index, outcome.RollNo, outcome.Outcome)
		}
	case handshake.HEARTBEAT:
		if handshake.DecodeHeartbeat(words, &heartbeat) == nil {
			return fmt.Sprintf("count %d, session %d", heartbeat.Count, heartbeat.Session.Epoch)
		}
	case handshake.HELLO:
		if handshake.DecodeHello(words, &hello) == nil {
			return fmt.Sprintf("session %d for start %d", hello.Session.Epoch, hello.Boot)
		}
	case handshake.PAYLOAD:
		if handshake.DecodePayload(words, &payload) == nil {
			return fmt.Sprintf("session %d, request %d, %q", payload.Session.Epoch, payload.Req, payload.Tag)
		}
	case handshake.COMMIT:
		if handshake.DecodeCommit(words, &commit) == nil {
			return fmt.Sprintf("session %d, offer %d", commit.Session.Epoch, commit.Offer)
		}
	case handshake.ACK:
		if handshake.DecodeAck(words, &ack) == nil {
			return fmt.Sprintf("session %d, up to outcome %d", ack.Session.Epoch, ack.UpTo)
		}
	}
	return ""
}

// fieldText is one field in the units of the line.
func fieldText(f handshake.FieldInfo, words []uint16, l *config.Line) string {
	w := words[f.Register:][:f.Words]
	number := func(v float64) string { return l.Recipe.WriteUnit(v*f.Scale, f.Unit) }
	switch f.Kind {
	case handshake.FormU32:
		return number(float64(uint32(w[0])<<16 | uint32(w[1])))
	case handshake.FormI16:
		return number(float64(int16(w[0])))
	case handshake.FormText:
		return fmt.Sprintf("%q", strings.TrimRight(TextOf(w, HighByteFirst), "\x00"))
	case handshake.FormArray:
		var parts []string
		for _, x := range w {
			parts = append(parts, number(float64(x)))
		}
		return strings.Join(parts, ", ")
	}
	return number(float64(w[0]))
}
