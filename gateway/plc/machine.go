package plc

import (
	"fmt"
	"strings"
)

// inputs of the example, with the addresses at which they stand.
var inputs = []struct{ name, at, words string }{
	{"firstScan", "%MX100.0", "first scan after power-up, download or STOP to RUN"},
	{"tick", "%MD60", "free-running, 10 ms; where it begins again does not matter"},
	{"clockSeconds", "%MD61", "since 2020-01-01"},
	{"unitMode", "%MD62", "ISA-TR88.00.02 number"},
	{"unitState", "%MD63", "ISA-TR88.00.02 number"},
	{"rollPresent", "%IX0.0", "sensor at the station"},
	{"rollMeasured", "%IX0.1", "the measurement is of the roll at the station"},
	{"manualSelected", "%IX0.2", "selector switch"},
	{"finished", "%IX0.3", "the roll is finished"},
	{"start", "%IX1.0", "press of start: the one thing that turns outputs on"},
	{"measuredAgain", "%IX1.1", "the measurement is new for the same roll"},
	{"retry", "%IX1.2", "try again with a roll that is held"},
	{"backToAutomatic", "%IX1.3", "a roll taken in hand asks again"},
	{"abortReported", "%IX1.4", "reports a jam, an emergency stop, a roll craned out"},
	{"sameRoll", "%IX1.5", "a person at the station: the roll there is the same"},
	{"otherRoll", "%IX1.6", "a person at the station: it is gone, or another one"},
	{"ackMemoryLoss", "%IX1.7", "a person at the station acknowledges the loss"},
	{"clearMemory", "%IX2.0", "by key, held on while the program starts"},
}

// output is something that moves or heats. maker says that the state to fall to
// is for the maker of the machine to say; without it the output falls to off.
type output struct {
	name, caution string
	maker         bool
}

var outputs = []output{
	{"turningDrive", "the roll turns: nip between roll and turning rolls", false},
	{"feedDrive", "the wrapper is drawn: nip at the feed rolls", false},
	{"crimperDrive", "the crimper turns: nip and blades", false},
	{"glueHeater", "hot glue burns; never the platens' own control", false},
	{"crimper", "the crimper is put on: crushing; holds pressure without power", true},
	{"platen", "the press closes: crushing; hot; holds pressure without power", true},
	{"brake", "the brake of the stand is let go: a wrapper roll overhead runs", true},
	{"clamp", "the clamp grips: one that opens can drop what it holds", true},
	{"centring", "the arms move the roll: crushing; a roll on a slope rolls", true},
}

// lamp is a lamp of the example, and what people do about it.
type lamp struct{ name, sentence, remedy string }

var lamps = []lamp{
	{"lampWaiting", "the roll waits for its recipe", "wait; where it lasts, read at the gateway why"},
	{"lampHeld", "the roll is held", "do as the reason of the hold says, then press retry, or choose manual"},
	{"lampStart", "a recipe waits for the press of start", "look that nobody is at the machine, then press start"},
	{"lampConfirmRoll", "the roll was gone, or the controller started again", "go to the station and look; answer same roll or other roll; then press start"},
	{"lampMemory", "the memory of the controller was lost", "lock out, look at the station, then acknowledge; read the outcomes of before by hand"},
	{"lampClock", "the clock of the controller stands wrong after a loss of memory", "set the clock and start the program again"},
	{"lampRing", "the gateway has long fetched no outcome", "see to the gateway; at 64 the next roll waits outside"},
	{"lampLong", "a roll has waited long", "see to the gateway, or choose manual"},
	{"lampPlaten", "the press waits for its platens", "let them come to the temperature shown, then press start"},
	{"lampFallStates", "an output has no state to fall to", "have it entered in the program by whoever answers for the machine"},
}

// States to fall to.
const (
	fallNotEntered = iota
	fallOff
	fallOn
	fallStay
)

func fallConstants() []constant {
	return []constant{
		number("FALL_NOT_ENTERED", fallNotEntered), number("FALL_OFF", fallOff), number("FALL_ON", fallOn), number("FALL_STAY", fallStay),
	}
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// machineFills are what the example has of inputs and outputs.
func machineFills(f Form) []fill {
	var ins, outs, wants, states, check, drive strings.Builder
	declare := func(out *strings.Builder, name, at, words string) {
		typ := "BOOL"
		if strings.HasPrefix(at, "%MD") {
			typ = "DINT"
		}
		fmt.Fprintf(out, "    (* %s *)\n    %s AT %s : %s;\n", words, name, at, typ)
	}
	for _, s := range inputs {
		declare(&ins, s.name, s.at, s.words)
	}
	states.WriteString("  VAR CONSTANT\n    (* ENTER the states to fall to, as the maker of the machine says: 1 off, 2 on,\n" +
		"       3 stays as it was. 0 is not entered, and nothing comes on. Drives and heaters\n       fall to off, and that is not for choice. *)\n")
	check.WriteString("  outputsReady := TRUE;\n")
	var on, fall, none strings.Builder
	for i, o := range outputs {
		declare(&outs, o.name, fmt.Sprintf("%%QX%d.%d", i/8, i%8), "CAUTION: "+o.caution)
		want := "want" + upperFirst(o.name)
		fmt.Fprintf(&wants, "    %s : BOOL;\n", want)
		fmt.Fprintf(&on, "    %s := %s;\n", o.name, want+map[bool]string{true: " AND hs.mayClose"}[o.name == "platen"])
		fmt.Fprintf(&none, "    %s := FALSE;\n", o.name)
		if !o.maker {
			fmt.Fprintf(&fall, "    %s := FALSE;\n", o.name)
			continue
		}
		state := "fall" + upperFirst(o.name)
		fmt.Fprintf(&states, "    (* ENTER. CAUTION: %s *)\n    %s : DINT := %d;\n", o.caution, state, fallNotEntered)
		fmt.Fprintf(&check, "  IF %s <= FALL_NOT_ENTERED OR %[1]s > FALL_STAY THEN\n    outputsReady := FALSE;\n  END_IF;\n", state)
		fmt.Fprintf(&fall, "    IF %s = FALL_OFF THEN\n      %s := FALSE;\n    ELSIF %[1]s = FALL_ON THEN\n      %[2]s := TRUE;\n    END_IF;\n", state, o.name)
	}
	states.WriteString("  END_VAR")
	for i, l := range lamps {
		declare(&outs, l.name, fmt.Sprintf("%%QX%d.%d", 2+i/8, i%8), l.sentence)
	}
	drive.WriteString("  (* ---- Outputs (6.4). The interlocks of the machine stand beside this and outrank it.\n" +
		"     CAUTION. Nip points, crushing, stored pressure, heat, rolls overhead: each line\n" +
		"     below can hurt. Lock out before anyone reaches in. *)\n")
	drive.WriteString("  IF hs.outputsOn THEN\n" + on.String() + "  ELSIF outputsReady THEN\n" + fall.String() + "  ELSE\n" + none.String() + "  END_IF;")
	text := drive.String()
	if f == Second {
		text = instance.ReplaceAllString(text, "")
	}
	trimmed := func(b *strings.Builder) string { return strings.TrimSuffix(b.String(), "\n") }
	return []fill{
		{"inputs", trimmed(&ins)}, {"outputs", trimmed(&outs)}, {"wants", trimmed(&wants)}, {"fall states", trimmed(&states)},
		{"fall check", trimmed(&check)}, {"drive outputs", text},
	}
}
