package inspect

import (
	"context"
	"fmt"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/present"
)

// BlocksReport is what stands in the blocks of a controller.
type BlocksReport struct {
	Line      string     `json:"line"`
	Protocol  string     `json:"protocol"`
	Address   string     `json:"address"`
	Connected RoundTrips `json:"connected_s" label:"connected in"` // one
	Reads     RoundTrips `json:"round_trip_s" label:"a read takes"`
	Blocks    []Block    `json:"blocks" print:"csv"`
	// Fields are those of the blocks that decode, one row each.
	Fields *present.Table `json:"fields,omitempty"`

	limits bool // the request block says that LIMITS is published
}

// Block is one block as it was read from a controller.
type Block struct {
	Block   string  `json:"block"` // OUT has the entry behind it
	Where   string  `json:"where,omitempty"`
	Took    float64 `json:"took_s" label:"-"`
	State   string  `json:"state"` // one of the words below
	Problem string  `json:"problem,omitempty" print:"below"`
	Brief   string  `json:"brief,omitempty" print:"below"`

	id    handshake.ID
	words []uint16
}

// What became of reading a block.
const (
	BlockDecodes = "decodes"
	BlockEmpty   = "empty"
	BlockBroken  = "does not decode"
	BlockUnread  = "not read"
	BlockClosed  = "write only" // of the gateway's, which need not be readable
)

// Blocks connects to the controller of a line and reads each block, and the
// entries of the ring that hold anything. The error is that of the connection.
func Blocks(ctx context.Context, dialer link.Dialer, l *config.Line) (*BlocksReport, error) {
	out := &BlocksReport{Line: l.Recipe.Name, Protocol: string(l.Controller.Protocol), Address: l.Controller.Address}
	began := time.Now()
	port, err := dialer.Dial(ctx)
	if err != nil {
		return nil, err
	}
	defer func() { _ = port.Close() }() // only read from
	out.Connected = RoundTrips{time.Since(began)}
	out.read(ctx, port, l)
	out.Fields = &present.Table{
		Columns: []present.Column{{Name: "block"}, {Name: "register"}, {Name: "field"}, {Name: "value"}},
		Rows: func(yield func(present.Row, error) bool) {
			for i := range out.Blocks {
				if !out.Blocks[i].fields(yield) {
					return
				}
			}
		},
	}
	return out, nil
}

// read reads each block in a request of its own.
func (r *BlocksReport) read(ctx context.Context, port link.Port, l *config.Line) {
	for _, id := range handshake.IDs() {
		if handshake.Optional(id) && !r.limits {
			continue
		}
		entries := 1
		if id == handshake.OUT {
			entries = handshake.OutEntries
		}
		for entry := range entries {
			b := Block{Block: id.String(), id: id, words: make([]uint16, handshake.Words(id)), Where: placeOf(l, id, entry)}
			if id == handshake.OUT {
				b.Block = fmt.Sprintf("%s %02d", id, entry)
			}
			asked := time.Now()
			err := port.Read(ctx, link.Span{Block: id, Entry: entry, Dst: b.words})
			took := time.Since(asked)
			b.Took, r.Reads = took.Seconds(), append(r.Reads, took)
			switch {
			case link.ClassOf(err) == link.NoAccess:
				b.State = BlockClosed
			case err != nil:
				b.State, b.Problem = BlockUnread, err.Error()
			default:
				b.decode()
			}
			if id == handshake.REQ && b.State == BlockDecodes {
				var request handshake.Request
				r.limits = handshake.DecodeRequest(b.words, &request) == nil && request.Flags&handshake.LimitsPublished != 0
			}
			if id != handshake.OUT || b.State != BlockEmpty {
				r.Blocks = append(r.Blocks, b)
			}
			if link.ClassOf(err) == link.Down {
				return // the port is dead
			}
		}
	}
}

// Amiss tells which of the controller's own blocks are not as they should be.
// Those of the gateway are empty until a gateway was there.
func (r *BlocksReport) Amiss() (blocks []string) {
	for i := range r.Blocks {
		b := &r.Blocks[i]
		if b.State == BlockUnread || b.State == BlockBroken || b.id == handshake.REQ && b.State == BlockEmpty {
			blocks = append(blocks, b.Block+" "+b.State)
		}
	}
	return blocks
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

func (b *Block) decode() {
	state, err := stateOf(b.id, b.words)
	b.State = state
	switch state {
	case BlockDecodes:
		b.Brief = brief(b.id, b.words)
	case BlockBroken:
		b.Problem = err.Error()
	}
}

// stateOf tells whether words are the block, and if they are another thing, why.
func stateOf(id handshake.ID, words []uint16) (state string, err error) {
	err = handshake.Verify(id, words)
	switch {
	case err == nil:
		return BlockDecodes, nil
	case empty(words):
		return BlockEmpty, nil
	}
	return BlockBroken, err
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
		limits    handshake.Limits
	)
	switch id {
	case handshake.REQ:
		if handshake.DecodeRequest(words, &request) == nil {
			return fmt.Sprintf("start %d, phase %s, roll %d \"%s\", request %d, session %d, outcomes %d to %d",
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
			return fmt.Sprintf("session %d, request %d, \"%s\"", payload.Session.Epoch, payload.Req, payload.Tag)
		}
	case handshake.COMMIT:
		if handshake.DecodeCommit(words, &commit) == nil {
			return fmt.Sprintf("session %d, offer %d", commit.Session.Epoch, commit.Offer)
		}
	case handshake.ACK:
		if handshake.DecodeAck(words, &ack) == nil {
			return fmt.Sprintf("session %d, up to outcome %d", ack.Session.Epoch, ack.UpTo)
		}
	case handshake.LIMITS:
		if handshake.DecodeLimits(words, &limits) == nil {
			return fmt.Sprintf("generation %d", limits.Gen)
		}
	}
	return ""
}

// fields gives out a row for each field, when the block decodes.
func (b *Block) fields(yield func(present.Row, error) bool) bool {
	if b.State != BlockDecodes {
		return true
	}
	for _, f := range handshake.Fields(b.id) {
		cells := []any{b.Block, f.Register, present.Quantity{Name: f.SIName()}, valueOf(f, b.words)}
		if !yield(present.Row{Cells: cells}, nil) {
			return false
		}
	}
	return true
}

// valueOf is the value of a field in SI, as a cell.
func valueOf(f handshake.FieldInfo, words []uint16) any {
	number := func(n int64) any {
		if f.Scale == 1 && f.Unit == "" {
			return n
		}
		return present.Amount{Name: f.SIName(), Value: f.SI(n)}
	}
	w := words[f.Register:][:f.Words]
	switch f.Kind {
	case handshake.FormText:
		return handshake.Tag(TextOf(w, HighByteFirst)).String()
	case handshake.FormArray:
		parts := make([]any, len(w))
		for i, x := range w {
			parts[i] = number(int64(x))
		}
		return parts
	}
	return number(f.Number(words))
}
