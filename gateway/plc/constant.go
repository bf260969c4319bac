package plc

import (
	"fmt"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// constant is one named number of the program.
type constant struct{ name, typ, value string }

// An index is an INT, a number that stands in a register a DINT: both forms of
// the program have the two.
func index(name string, v int) constant  { return constant{name, "INT", fmt.Sprint(v)} }
func number(name string, v int) constant { return constant{name, "DINT", fmt.Sprint(v)} }

// array is a list of values of one type, counted from first.
func array(name, typ string, first int, values []string) constant {
	return constant{name, fmt.Sprintf("ARRAY [%d..%d] OF %s", first, first+len(values)-1, typ), "[\n" + wrapped(values) + "]"}
}

// A bank of retained memory: the request block as built, the accepted payload,
// and what neither of them holds.
const (
	bankPayload   = handshake.ReqWords
	bankSequence  = bankPayload + handshake.PayloadWords
	bankRunStart  = bankSequence + 1
	bankHold      = bankRunStart + 2
	bankBits      = bankHold + 1
	bankValid     = bankBits + 1
	bankLimitsGen = bankValid + 1
	bankLimitsSum = bankLimitsGen + 1
	bankCRC       = bankLimitsSum + 2
	bankWords     = bankCRC + 2
)

// retainedBytes is what must be kept without power: both banks and the ring.
const retainedBytes = 2 * (2*bankWords + handshake.OutEntries*handshake.OutWords)

// Bounds of an epoch that the controller adopts: the greatest of all, and how
// far it may be above a floor that is not 0.
const (
	greatestEpoch = 4_000_000_000
	epochStep     = 1 << 20
)

// timeMost is the longest time that the program counts, in ticks.
const timeMost = 30000

// clockLeast is the start of the year in which the program was built. A clock
// that stands before gives a boot number of before.
var clockLeast = int(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Sub(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)) / time.Second)

// written are the blocks of the gateway in the order in which the program keeps
// its copy of them.
var written = []handshake.ID{handshake.HEARTBEAT, handshake.HELLO, handshake.PAYLOAD, handshake.COMMIT, handshake.ACK}

func gatewayWords() int {
	n := 0
	for _, id := range written {
		n += handshake.Words(id)
	}
	return n
}

// ringAlarm is the number of outcomes not acknowledged at which the line calls
// for help.
const ringAlarm = 48

// constants lists every number of the protocol by a name of its own.
func constants() []constant {
	out := []constant{
		number("LAYOUT_VERSION", handshake.LayoutVersion),
		index("RING_ENTRIES", handshake.OutEntries),
		number("RING_MODULUS", handshake.OutEntries),
		number("RING_ALARM", ringAlarm),
		index("TAG_WORDS", handshake.TagLen/2),
		index("FIRST_SETPOINT", handshake.FirstSetpoint),
		index("LAST_SETPOINT", lastSetpoint()),
		number("TIME_MOST", timeMost),
		number("CLOCK_LEAST", clockLeast),
		number("EPOCH_MOST_HIGH", greatestEpoch>>16), number("EPOCH_MOST_LOW", greatestEpoch&0xFFFF),
		number("EPOCH_STEP_HIGH", epochStep>>16), number("EPOCH_STEP_LOW", epochStep&0xFFFF),
	}
	for _, id := range handshake.IDs() {
		out = append(out, number("TYPE_"+id.String(), int(typeWord(id))), index(id.String()+"_WORDS", handshake.Words(id)))
		if id == handshake.LIMITS { // its rows follow from those of the payload
			out = append(out, index("LIMITS_LAYOUT", 1), index("LIMITS_GEN", 2), index("LIMITS_LEAST", handshake.LeastLimit),
				index("LIMITS_GREATEST", handshake.GreatestLimit), index("LIMITS_CRC", handshake.LimitsWords-2))
			continue
		}
		for _, f := range handshake.Fields(id) {
			if f.Name != "type" {
				out = append(out, index(id.String()+"_"+upperName(f.Name), f.Register))
			}
		}
	}
	at := 0
	for _, id := range written {
		out = append(out, index("G_"+id.String(), at))
		at += handshake.Words(id)
	}
	out = append(out,
		index("BANK_PAYLOAD", bankPayload), index("BANK_SEQUENCE", bankSequence),
		index("BANK_RUN_START", bankRunStart), index("BANK_HOLD_REASON", bankHold),
		index("BANK_BITS", bankBits), index("BANK_VALID", bankValid), index("BANK_LIMITS_GEN", bankLimitsGen),
		index("BANK_LIMITS_SUM", bankLimitsSum), index("BANK_CRC", bankCRC), index("BANK_WORDS", bankWords),
	)
	return append(append(append(out, meanings()...), limitConstants()...), tableConstants()...)
}

// meanings are the numbers of phases, verdicts, outcomes, reasons and flags.
func meanings() []constant {
	var out []constant
	for p := handshake.Empty; p <= handshake.Fault; p++ {
		out = append(out, number("PHASE_"+upperName(p.String()), int(p)))
	}
	for v := handshake.Accepted; v <= handshake.HeldVerdict; v++ {
		out = append(out, number("VERDICT_"+upperName(v.String()), int(v)))
	}
	for o := handshake.Wrapped; o <= handshake.Lost; o++ {
		out = append(out, number("OUTCOME_"+upperName(o.String()), int(o)))
	}
	out = append(out,
		number("REASON_DAMAGED", int(handshake.RejectDamaged)), number("REASON_OTHER_OFFER", int(handshake.RejectOtherOffer)),
		number("REASON_WRONG_ROLL", int(handshake.RejectWrongRoll)), number("REASON_TOO_LATE", int(handshake.RejectTooLate)),
		number("REASON_NOT_ALIVE", int(handshake.RejectNotAlive)), number("REASON_PERMISSIVE", int(handshake.RejectPermissive)),
		number("REASON_LIMIT", int(handshake.RejectLimit)),
		number("KIND_"+upperName(handshake.KindRecipe.String()), int(handshake.KindRecipe)),
		number("KIND_"+upperName(handshake.KindHold.String()), int(handshake.KindHold)),
		number("FLAG_ALL_PERMISSIVES", int(handshake.AllPermissives)),
		number("FLAG_MEMORY_LOST", int(handshake.MemoryLost)),
		number("FLAG_MANUAL_SELECTED", int(handshake.ManualSelected)),
		number("FLAG_RING_FULL", int(handshake.RingFull)),
		number("FLAG_GATEWAY_ALIVE", int(handshake.GatewayAlive)),
		number("FLAG_DIMENSIONS_VALID", int(handshake.DimensionsValid)),
		number("FLAG_OPERATOR_MUST_ACK", int(handshake.OperatorMustAck)),
		number("FLAG_LIMITS_PUBLISHED", int(handshake.LimitsPublished)),
		number("HEARTBEAT_HOLD_ALL", int(handshake.FlagHoldAll)),
		number("GROUP_HEADER", 1<<recipe.GroupHeader),
	)
	return append(out, fallConstants()...)
}

// upperName is the name of a field in a constant. The longest words are short
// here, since some controllers tell names apart by 24 letters.
func upperName(s string) string {
	return strings.NewReplacer("DIAMETER", "DIA", "TEMPERATURE", "TEMP", "FREQUENCY", "FREQ", "ACKNOWLEDGED", "ACKED",
		"_AFTER_MEMORY_LOSS", "").Replace(strings.ToUpper(handshake.Spelled(s)))
}

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
