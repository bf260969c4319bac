package plc

import (
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
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
	bankPayload  = handshake.ReqWords
	bankSequence = bankPayload + handshake.PayloadWords
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
		wordConst("LAYOUT_VERSION", handshake.LayoutVersion),
		intConst("RING_ENTRIES", handshake.OutEntries),
		{"RING_MODULUS", "UDINT", fmt.Sprint(handshake.OutEntries)},
		{"RING_ALARM", "UDINT", fmt.Sprint(ringAlarm)},
		intConst("TAG_WORDS", handshake.TagLen/2),
		intConst("FIRST_SETPOINT", handshake.FirstSetpoint),
	}
	for _, id := range handshake.IDs() {
		out = append(out, wordConst("TYPE_"+id.String(), typeWord(id)), intConst(id.String()+"_WORDS", handshake.Words(id)))
		if id == handshake.LIMITS { // its rows follow from those of the payload
			out = append(out, intConst("LIMITS_GEN", 2), intConst("LIMITS_LEAST", handshake.LeastLimit), intConst("LIMITS_GREATEST", handshake.GreatestLimit))
			continue
		}
		for _, f := range handshake.Fields(id) {
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
	for p := handshake.Empty; p <= handshake.Fault; p++ {
		out = append(out, uintConst("PHASE_"+upperName(p.String()), int(p)))
	}
	for v := handshake.Accepted; v <= handshake.HeldVerdict; v++ {
		out = append(out, uintConst("VERDICT_"+upperName(v.String()), int(v)))
	}
	for o := handshake.Wrapped; o <= handshake.Lost; o++ {
		out = append(out, uintConst("OUTCOME_"+upperName(o.String()), int(o)))
	}
	for _, r := range handshake.RejectReasons() {
		out = append(out, uintConst("REASON_"+upperName(r.Words()), int(r)))
	}
	out = append(out,
		wordConst("KIND_"+upperName(handshake.KindRecipe.String()), uint16(handshake.KindRecipe)),
		wordConst("KIND_"+upperName(handshake.KindHold.String()), uint16(handshake.KindHold)),
		wordConst("FLAG_ALL_PERMISSIVES", uint16(handshake.AllPermissives)),
		wordConst("FLAG_MEMORY_LOST", uint16(handshake.MemoryLost)),
		wordConst("FLAG_MANUAL_SELECTED", uint16(handshake.ManualSelected)),
		wordConst("FLAG_RING_FULL", uint16(handshake.RingFull)),
		wordConst("FLAG_GATEWAY_ALIVE", uint16(handshake.GatewayAlive)),
		wordConst("FLAG_DIMENSIONS_VALID", uint16(handshake.DimensionsValid)),
		wordConst("FLAG_OPERATOR_MUST_ACK", uint16(handshake.OperatorMustAck)),
		wordConst("FLAG_LIMITS_PUBLISHED", uint16(handshake.LimitsPublished)),
		wordConst("HEARTBEAT_HOLD_ALL", handshake.FlagHoldAll),
	)
	return append(out, limitConstants()...)
}

func upperName(s string) string { return strings.ToUpper(handshake.Spelled(s)) }

// typeWord asks the codec, which has no other place for it.
func typeWord(id handshake.ID) uint16 {
	words := make([]uint16, handshake.Words(id))
	var err error
	switch id {
	case handshake.REQ:
		err = new(handshake.Request).Encode(words)
	case handshake.OUT:
		err = new(handshake.Outcome).Encode(words)
	case handshake.HEARTBEAT:
		err = new(handshake.Heartbeat).Encode(words)
	case handshake.HELLO:
		err = new(handshake.Hello).Encode(words)
	case handshake.PAYLOAD:
		err = new(handshake.Payload).Encode(words)
	case handshake.COMMIT:
		err = new(handshake.Commit).Encode(words)
	case handshake.ACK:
		err = new(handshake.Ack).Encode(words)
	case handshake.LIMITS:
		err = new(handshake.Limits).Encode(words)
	}
	if err != nil {
		panic("an empty block cannot be encoded: " + err.Error())
	}
	return words[0]
}
