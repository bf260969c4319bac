package plc

import (
	"fmt"
	"strconv"

	"lapgate/gateway/handshake"
)

// Text is one message for the panel at the line.
type Text struct {
	Kind     string `json:"kind"`   // phase, hold, reject, closing or lamp
	Number   string `json:"number"` // as it stands in the registers; empty for a lamp
	Name     string `json:"name"`   // as the program, the journal and the metrics spell it
	Sentence string `json:"sentence"`
	Remedy   string `json:"remedy,omitempty"` // empty where nobody has to do anything
}

// said is what a panel says of a number, and what is to be done about it.
type said struct{ sentence, remedy string }

var phaseTexts = map[handshake.Phase]said{
	handshake.Empty:  {"The station is empty.", ""},
	handshake.Await:  {"The roll waits for its recipe.", "Wait; where it lasts, read at the gateway why, or choose manual."},
	handshake.Run:    {"The recipe of this roll was accepted.", "Look that nobody is at the machine, then press start."},
	handshake.Held:   {"The roll is held.", "Do as the reason of the hold says, then press retry, or choose manual."},
	handshake.ByHand: {"The roll is wrapped by hand.", "Enter the values at the machine; go back to automatic for a recipe."},
	handshake.Fault:  {"The memory of the controller was lost.", "Lock out, look at the station, then acknowledge."},
}

var holdTexts = map[handshake.HoldReason]said{
	handshake.HoldNoRecipe:         {"No recipe could be computed for this roll.", "Read at the gateway what is missing; measure again, or wrap by hand."},
	handshake.HoldDimensionLimits:  {"The roll is larger or smaller than this line takes.", "Measure again; take the roll off where it is so."},
	handshake.HoldImplausible:      {"The measured size cannot be right.", "Look at the sensors and the roll, then measure again."},
	handshake.HoldMeasurement:      {"The measurement is old or poor.", "Measure the roll again."},
	handshake.HoldInterlock:        {"A value of the recipe is outside a limit.", "Read at the gateway which; nobody can override this one. Wrap by hand within the machine's limits."},
	handshake.HoldPermissive:       {"A permissive is off, or the unit is not in production.", "See why it is off, put it right, then press retry."},
	handshake.HoldSupply:           {"No wrapper, head or slot serves this roll.", "Hang or confirm what is missing, then press retry."},
	handshake.HoldOperator:         {"An operator of the gateway holds all rolls.", "Ask who holds them; release at the gateway, then press retry."},
	handshake.HoldJournalFault:     {"The gateway cannot keep its record.", "See to the gateway's disk; wrap by hand until then."},
	handshake.HoldConfigFault:      {"The gateway's configuration does not hold.", "See to the gateway; wrap by hand until then."},
	handshake.HoldOrderDataMissing: {"The order of this roll is not known.", "Have the order sent, or the tag put right, then press retry."},
	handshake.HoldTag:              {"The tag of the roll holds a character that cannot be read.", "Read the tag again, or enter it by hand."},
}

// rejectTexts are those of the reasons that are one number. The controller says
// no; the gateway offers again or holds the roll.
var rejectTexts = map[uint16]said{
	handshake.RejectDamaged:    {"The offer came damaged.", "Wait: it is offered again. Where it comes again, see to the network."},
	handshake.RejectOtherOffer: {"The values were of another offer.", "Wait: it is offered again."},
	handshake.RejectWrongRoll:  {"The offer was for another roll or size.", "Measure the roll again."},
	handshake.RejectTooLate:    {"The offer came too late.", "Wait: it is offered again. Where it comes again, see to the network."},
	handshake.RejectNotAlive:   {"The gateway was not heard.", "Wait: it is offered again. Where it comes again, see to the gateway, or choose manual."},
}

// closings say why the press stays open, by the number in closeWaits.
var closings = []struct {
	name string
	said
}{
	{"may close", said{"The press may close.", ""}},
	{"cooler too cold", said{"The cooler platen is too cold.", "Let it come to the temperature shown, then press start."}},
	{"hotter too hot", said{"The hotter platen is too hot.", "Let it cool to the temperature shown, then press start."}},
	{"cooler not measured", said{"The cooler platen is not measured.", "See to its sensor; lock out, platens stay hot. Then press start."}},
	{"hotter not measured", said{"The hotter platen is not measured.", "See to its sensor; lock out, platens stay hot. Then press start."}},
}

// Texts lists the messages for the panel at the line: each phase, reason of a
// hold and of a rejection that the line can have, what the press waits for, and
// each lamp of the program.
func Texts(permissives uint32) []Text {
	var out []Text
	add := func(kind string, n int, name string, s said) {
		out = append(out, Text{kind, strconv.Itoa(n), handshake.Spelled(name), s.sentence, s.remedy})
	}
	for p := handshake.Empty; p <= handshake.Fault; p++ {
		add("phase", int(p), p.String(), phaseTexts[p])
	}
	for h := handshake.HoldNoRecipe; h <= handshake.HoldTag; h++ {
		add("hold", int(h), h.String(), holdTexts[h])
	}
	for _, r := range handshake.RejectReasons() {
		switch n := uint16(r); n {
		case handshake.RejectPermissive:
			for i := range 32 {
				if permissives>>i&1 == 1 {
					add("reject", int(n)+i, (r + handshake.RejectReason(i)).String(),
						said{fmt.Sprintf("Permissive %d was off.", i), "See why it is off, and put it right: the roll is offered again."})
				}
			}
		case handshake.RejectLimit:
			for _, l := range limits() {
				add("reject", int(n)+l.Register-handshake.FirstSetpoint, (r + handshake.RejectReason(l.Register-handshake.FirstSetpoint)).String(),
					said{"The recipe is outside the machine's limit on " + handshake.SetpointAt(l.Register) + ".",
						"Have the limit in the program compared with the machine's data sheet and with the gateway's; wrap by hand until then."})
			}
		default:
			add("reject", int(n), r.String(), rejectTexts[n])
		}
	}
	for n, c := range closings {
		add("closing", n, c.name, c.said)
	}
	for _, l := range lamps {
		out = append(out, Text{"lamp", "", l.name, upperFirst(l.sentence) + ".", upperFirst(l.remedy) + "."})
	}
	return out
}
