package handshake

import "fmt"

// Causes of a DecodeError.
const (
	CauseLength     = "length"     // not as many registers as the block has
	CauseType       = "type"       // the type word is another
	CauseLayout     = "layout"     // another version, or a register that breaks the layout
	CauseGeneration = "generation" // head and tail differ: caught while being written
	CauseCRC        = "crc"        // the checksum does not hold
)

// CauseNoData is why a block could not even be decoded: the controller has no good
// value for it at present.
const CauseNoData = "no data"

// DecodeError says why words are not a block.
type DecodeError struct {
	Block    ID
	Cause    string // one of the causes above
	Register int    // offset from the base of the block
	Field    string // for CauseLayout: layout or zero
	Got      uint32
	Want     uint32
}

// Error names the register, what stood there, what was wanted and the remedy.
func (e *DecodeError) Error() string {
	switch e.Cause {
	case CauseLength:
		return fmt.Sprintf("block %s: %d registers, want %d", e.Block, e.Got, e.Want)
	case CauseType:
		return fmt.Sprintf("block %s: type word is %04X, want %04X; %s", e.Block, e.Got, e.Want, typeHelp(e.Got, e.Want))
	case CauseGeneration:
		return fmt.Sprintf("block %s: generation at the tail (register %d) is %d, at the head %d: "+
			"read while the controller was writing it; read again", e.Block, e.Register, e.Got, e.Want)
	case CauseCRC:
		return fmt.Sprintf("block %s: checksum in register %d is %08X, the words before it give %08X; "+
			"read again, and if it stays, compare the controller's checksum with the worked example",
			e.Block, e.Register, e.Got, e.Want)
	}
	if e.Field == "layout" {
		return fmt.Sprintf("block %s: layout version is %d, want %d; controller program and gateway are of different versions",
			e.Block, e.Got, e.Want)
	}
	return fmt.Sprintf("block %s: register %d is %04X, the layout keeps it zero; correct the controller program",
		e.Block, e.Register, e.Got)
}

func typeHelp(got, want uint32) string {
	switch got {
	case want>>8 | want&0xFF<<8:
		return "the bytes of each register are swapped, set the byte order of the controller or its link"
	case 0:
		return "nothing has been published there yet, or the base address is wrong"
	}
	return "check the base address of the block, and that addresses count from zero"
}

// DecodeRequest fills r from the words of a request block. Errors are
// *DecodeError, and leave r as it was. A text that did not change is not
// allocated again.
func DecodeRequest(words []uint16, r *Request) error { return requestTable.decode(words, r) }

// DecodeOutcome fills o from the words of one entry of the outcome ring.
// Errors are *DecodeError, and leave o as it was.
func DecodeOutcome(words []uint16, o *Outcome) error { return outcomeTable.decode(words, o) }

// DecodeHeartbeat fills h. Errors are *DecodeError, and leave h as it was.
func DecodeHeartbeat(words []uint16, h *Heartbeat) error { return heartbeatTable.decode(words, h) }

// DecodeHello fills h. Errors are *DecodeError, and leave h as it was.
func DecodeHello(words []uint16, h *Hello) error { return helloTable.decode(words, h) }

// DecodePayload fills p. Errors are *DecodeError, and leave p as it was.
func DecodePayload(words []uint16, p *Payload) error { return payloadTable.decode(words, p) }

// DecodeStoredPayload fills p from words that a journal holds, which may be of
// an earlier layout; fields that it lacks are 0. Errors as of DecodePayload.
func DecodeStoredPayload(words []uint16, p *Payload) error {
	return payloadTable.decodeStored(words, p)
}

// DecodeStoredOutcome fills o from words that a journal holds, which may be of
// an earlier layout; fields that it lacks are 0. Errors as of DecodeOutcome.
func DecodeStoredOutcome(words []uint16, o *Outcome) error {
	return outcomeTable.decodeStored(words, o)
}

// DecodeCommit fills c. Errors are *DecodeError, and leave c as it was.
func DecodeCommit(words []uint16, c *Commit) error { return commitTable.decode(words, c) }

// DecodeAck fills a. Errors are *DecodeError, and leave a as it was.
func DecodeAck(words []uint16, a *Ack) error { return ackTable.decode(words, a) }

// Encode writes the block into dst, which has ReqWords registers, with type,
// layout and checksum. It fails when dst has another length or the tag does
// not fit; dst is then unusable.
func (r *Request) Encode(dst []uint16) error { return requestTable.encode(r, dst) }

// Encode writes the entry into dst, which has OutWords registers, with type,
// layout and checksum. It fails when dst has another length.
func (o *Outcome) Encode(dst []uint16) error { return outcomeTable.encode(o, dst) }

// Encode writes the block into dst, which has HeartbeatWords registers, with
// type and checksum. It fails when dst has another length.
func (h *Heartbeat) Encode(dst []uint16) error { return heartbeatTable.encode(h, dst) }

// Encode writes the block into dst, which has HelloWords registers, with
// type, layout and checksum. It fails when dst has another length.
func (h *Hello) Encode(dst []uint16) error { return helloTable.encode(h, dst) }

// Encode writes the block into dst, which has PayloadWords registers, with
// type, layout and checksum. It fails when dst has another length or the tag
// does not fit; dst is then unusable.
func (p *Payload) Encode(dst []uint16) error { return payloadTable.encode(p, dst) }

// Encode writes the block into dst, which has CommitWords registers, with
// type and checksum. It fails when dst has another length.
func (c *Commit) Encode(dst []uint16) error { return commitTable.encode(c, dst) }

// Encode writes the block into dst, which has AckWords registers, with type
// and checksum. It fails when dst has another length.
func (a *Ack) Encode(dst []uint16) error { return ackTable.encode(a, dst) }

// PayloadCRC returns the checksum that stands in an encoded payload, which is
// the one a commit names. It is 0 for anything that is not PayloadWords long.
func PayloadCRC(words []uint16) uint32 {
	if len(words) != PayloadWords {
		return 0
	}
	return get32(words[PayloadWords-2:])
}

// Words returns the registers of a block, for OUT those of one entry, and 0
// for an unknown one.
func Words(id ID) int {
	if t := tableOf(id); t != nil {
		return t.size()
	}
	return 0
}

// Fields describes a block, type word and checksum included, by register.
// Registers that it leaves out stay zero. It is nil for an unknown block.
func Fields(id ID) []FieldInfo {
	if t := tableOf(id); t != nil {
		return t.infos()
	}
	return nil
}

// FieldOf is the field of a block by its name. A name that the block does not
// have is a mistake of the program and panics.
func FieldOf(id ID, name string) FieldInfo {
	for _, f := range Fields(id) {
		if f.Name == name {
			return f
		}
	}
	panic(fmt.Sprintf("handshake: block %s has no field %q", id, name))
}

// IDs returns all blocks in order.
func IDs() []ID {
	out := make([]ID, Blocks)
	for i := range out {
		out[i] = ID(i)
	}
	return out
}

// GatewayOwned tells whether the gateway writes a block. It writes nothing
// else.
func GatewayOwned(id ID) bool {
	switch id {
	case HEARTBEAT, HELLO, PAYLOAD, COMMIT, ACK:
		return true
	}
	return false
}

func tableOf(id ID) shape {
	switch id {
	case REQ:
		return requestTable
	case OUT:
		return outcomeTable
	case HEARTBEAT:
		return heartbeatTable
	case HELLO:
		return helloTable
	case PAYLOAD:
		return payloadTable
	case COMMIT:
		return commitTable
	case ACK:
		return ackTable
	case LIMITS:
		return limitsTable
	}
	return nil
}
