package plc

import (
	"fmt"
	"strings"

	"lapgate/gateway/block"
)

// constant is one named number of the program.
type constant struct{ name, typ, value string }

func intConst(name string, v int) constant  { return constant{name, "INT", fmt.Sprint(v)} }
func uintConst(name string, v int) constant { return constant{name, "UINT", fmt.Sprint(v)} }
func wordConst(name string, v uint16) constant {
	return constant{name, "WORD", fmt.Sprintf("16#%04X", v)}
}

// A bank of retained memory: the request block as built, the accepted payload,
// and what neither of them holds.
const (
	bankPayload  = block.ReqWords
	bankSequence = bankPayload + block.PayloadWords
	bankRunStart = bankSequence + 1
	bankHold     = bankRunStart + 2
	bankBits     = bankHold + 1
	bankCRC      = bankBits + 1
	bankWords    = bankCRC + 2
)

// ringAlarm is the number of outcomes not acknowledged at which the line calls
// for help.
const ringAlarm = 48

// constants lists every number of the protocol by a name of its own.
func constants() []constant {
	out := []constant{
		wordConst("LAYOUT_VERSION", block.LayoutVersion),
		intConst("RING_ENTRIES", block.OutEntries),
		{"RING_MODULUS", "UDINT", fmt.Sprint(block.OutEntries)},
		{"RING_ALARM", "UDINT", fmt.Sprint(ringAlarm)},
		intConst("TAG_WORDS", block.TagLen/2),
		intConst("FIRST_SETPOINT", block.FirstSetpoint),
	}
	for _, id := range block.IDs() {
		out = append(out, wordConst("TYPE_"+id.String(), typeWord(id)), intConst(id.String()+"_WORDS", block.Words(id)))
		for _, f := range block.Fields(id) {
			if f.Name != "type" {
				out = append(out, intConst(id.String()+"_"+upperName(f.Name), f.Register))
			}
		}
	}
	out = append(out,
		intConst("BANK_PAYLOAD", bankPayload), intConst("BANK_SEQUENCE", bankSequence),
		intConst("BANK_RUN_START", bankRunStart), intConst("BANK_HOLD_REASON", bankHold),
		intConst("BANK_BITS", bankBits), intConst("BANK_CRC", bankCRC), intConst("BANK_WORDS", bankWords),
	)
	for p := block.Empty; p <= block.Fault; p++ {
		out = append(out, uintConst("PHASE_"+upperName(p.String()), int(p)))
	}
	for v := block.Accepted; v <= block.HeldVerdict; v++ {
		out = append(out, uintConst("VERDICT_"+upperName(v.String()), int(v)))
	}
	for _, n := range []struct {
		name string
		v    int
	}{
		{"OUTCOME_WRAPPED", int(block.Wrapped)},
		{"OUTCOME_WRAPPED_BY_HAND", int(block.WrappedByHand)},
		{"OUTCOME_REMOVED", int(block.Removed)},
		{"OUTCOME_ABORTED", int(block.Aborted)},
		{"OUTCOME_UNKNOWN", int(block.Lost)},
		{"REASON_DAMAGED", int(block.RejectDamaged)},
		{"REASON_OTHER_OFFER", int(block.RejectOtherOffer)},
		{"REASON_WRONG_ROLL", int(block.RejectWrongRoll)},
		{"REASON_TOO_LATE", int(block.RejectTooLate)},
		{"REASON_NOT_ALIVE", int(block.RejectNotAlive)},
		{"REASON_PERMISSIVE", int(block.RejectPermissive)},
		{"REASON_LIMIT", int(block.RejectLimit)},
	} {
		out = append(out, uintConst(n.name, n.v))
	}
	out = append(out,
		wordConst("KIND_RECIPE", uint16(block.KindRecipe)),
		wordConst("KIND_HOLD", uint16(block.KindHold)),
		wordConst("FLAG_ALL_PERMISSIVES", uint16(block.AllPermissives)),
		wordConst("FLAG_MEMORY_LOST", uint16(block.MemoryLost)),
		wordConst("FLAG_MANUAL_SELECTED", uint16(block.ManualSelected)),
		wordConst("FLAG_RING_FULL", uint16(block.RingFull)),
		wordConst("FLAG_GATEWAY_ALIVE", uint16(block.GatewayAlive)),
		wordConst("FLAG_DIMENSIONS_VALID", uint16(block.DimensionsValid)),
		wordConst("FLAG_OPERATOR_MUST_ACK", uint16(block.OperatorMustAck)),
		wordConst("HEARTBEAT_HOLD_ALL", block.FlagHoldAll),
	)
	return append(out, limitConstants()...)
}

func upperName(s string) string { return strings.ToUpper(strings.ReplaceAll(s, " ", "_")) }

// typeWord asks the codec, which has no other place for it.
func typeWord(id block.ID) uint16 {
	words := make([]uint16, block.Words(id))
	var err error
	switch id {
	case block.REQ:
		err = new(block.Request).Encode(words)
	case block.OUT:
		err = new(block.Outcome).Encode(words)
	case block.HEARTBEAT:
		err = new(block.Heartbeat).Encode(words)
	case block.HELLO:
		err = new(block.Hello).Encode(words)
	case block.PAYLOAD:
		err = new(block.Payload).Encode(words)
	case block.COMMIT:
		err = new(block.Commit).Encode(words)
	case block.ACK:
		err = new(block.Ack).Encode(words)
	}
	if err != nil {
		panic("an empty block cannot be encoded: " + err.Error())
	}
	return words[0]
}
