// Package nodeset is the address space of a line's controller over OPC UA, in
// one table: the blocks of the handshake as arrays of UInt16, and beside them
// typed variables in engineering units for people who browse. It writes the
// space as a NodeSet2 file, which a server loads.
package nodeset

import (
	"fmt"

	"lapgate/sim/controller"
)

// URI is the namespace of all nodes here.
const URI = "urn:lapgate:line"

// RootID is the numeric identifier of the folder under Objects. All other
// nodes have strings that begin with the name of the line.
const RootID = 1

// Names of the folders, as browse names and as parts of identifiers.
const (
	RootName      = "Lapgate"
	HandshakeName = "Handshake"
	DisplayName   = "Display"
)

// Block is one variable that holds a block of the handshake, or one entry of
// the outcome ring.
type Block struct {
	Name     controller.BlockName
	Entry    int    // of the ring, 0 for other blocks
	ID       string // behind the name of the line and a dot
	Browse   string
	Words    int
	Writable bool // the gateway owns it
	Text     string
}

// ringEntries is the number of outcomes that the ring holds.
const ringEntries = 64

// Blocks lists the variables of the handshake in the order of the space.
func Blocks() []Block {
	var a controller.Area
	b := []Block{{
		Name: controller.BlockReq, ID: "Request", Browse: "Request", Words: len(controller.ReqWords{}),
		Text: "Block REQ: all that the gateway decides on. Published by the controller.",
	}}
	for n := range ringEntries {
		b = append(b, Block{
			Name: controller.BlockOut, Entry: n, ID: fmt.Sprintf("Outcome.%02d", n), Browse: fmt.Sprintf("Outcome%02d", n),
			Words: len(controller.OutWords{}),
			Text:  fmt.Sprintf("Block OUT: the outcome whose number leaves %d when divided by %d.", n, ringEntries),
		})
	}
	own := func(n controller.BlockName, name string, words int, text string) {
		b = append(b, Block{Name: n, ID: name, Browse: name, Words: words, Writable: true, Text: text})
	}
	own(controller.BlockHeartbeat, "Heartbeat", len(a.Heartbeat), "Block HEARTBEAT: the gateway is alive. Written by the gateway.")
	own(controller.BlockHello, "Hello", len(a.Hello), "Block HELLO: the gateway opens a session. Written by the gateway.")
	own(controller.BlockPayload, "Payload", len(a.Payload), "Block PAYLOAD: an offer, in force only by a commit. Written by the gateway.")
	own(controller.BlockCommit, "Commit", len(a.Commit), "Block COMMIT: asks to judge the offer. Written by the gateway.")
	own(controller.BlockAck, "Ack", len(a.Ack), "Block ACK: outcomes that are recorded. Written by the gateway.")
	return b
}

// NodeID is the string identifier of the block's variable.
func (b *Block) NodeID(line string) string { return line + "." + b.ID }

// View is what a display variable mirrors.
type View string

// Views.
const (
	OfRequest View = "Request"
	OfRecipe  View = "Recipe"
	OfOutcome View = "Outcome"
)

// Views lists the views in the order of the space.
func Views() []View { return []View{OfRequest, OfRecipe, OfOutcome} }

func (v View) text() string {
	switch v {
	case OfRequest:
		return "The roll at the station and the state of the station. For people only."
	case OfRecipe:
		return "The recipe accepted last. For people only."
	}
	return "The outcome of the roll that left last. For people only."
}

// form is how a display variable is read from the words of its block.
type form uint8

const (
	word form = iota
	long
	scaled       // one word times the scale
	scaledLong   // two words times the scale
	scaledSigned // one word in two's complement times the scale
	text         // eight words of ASCII
	named        // a word that stands for one of the names
	bit
)

// Display is one display variable. No decision is taken from any.
type Display struct {
	View  View
	Name  string
	Text  string
	Reg   int // first word in the block
	Unit  string
	form  form
	scale float64
	names []string
	bit   int
}

// NodeID is the string identifier of the variable.
func (d *Display) NodeID(line string) string {
	return line + "." + DisplayName + "." + string(d.View) + "." + d.Name
}

// Value reads the variable from the words of the block that it mirrors, in
// the Go type of its data type.
func (d *Display) Value(w []uint16) any {
	two := func() uint32 { return uint32(w[d.Reg])<<16 | uint32(w[d.Reg+1]) }
	switch d.form {
	case word:
		return w[d.Reg]
	case long:
		return two()
	case scaled:
		return float64(w[d.Reg]) / d.scale
	case scaledLong:
		return float64(two()) / d.scale
	case scaledSigned:
		return float64(int16(w[d.Reg])) / d.scale
	case bit:
		return w[d.Reg]>>d.bit&1 == 1
	case named:
		if i := int(w[d.Reg]); i < len(d.names) {
			return d.names[i]
		}
		return "unknown"
	}
	var b []byte
	for _, x := range w[d.Reg : d.Reg+8] {
		for _, c := range []byte{byte(x >> 8), byte(x)} {
			if c == 0 {
				return string(b)
			}
			b = append(b, c)
		}
	}
	return string(b)
}

// dataType is the alias of the variable's data type.
func (d *Display) dataType() string {
	switch d.form {
	case word:
		return "UInt16"
	case long:
		return "UInt32"
	case bit:
		return "Boolean"
	case text, named:
		return "String"
	}
	return "Double"
}

// Displays lists the display variables in the order of the space.
func Displays() []Display {
	var all []Display
	in := OfRequest
	add := func(d Display) { d.View = in; all = append(all, d) }
	number := func(name string, f form, reg int, text string) {
		add(Display{Name: name, form: f, Reg: reg, Text: text})
	}
	measure := func(name string, f form, reg int, perUnit float64, unit, text string) {
		add(Display{Name: name, form: f, Reg: reg, scale: perUnit, Unit: unit, Text: text})
	}
	const tenth, hundredth = 10, 100

	number("Tag", text, 22, "Tag of the roll")
	number("RollNumber", long, 18, "Number of the roll")
	number("RequestNumber", long, 20, "Number of the request")
	add(Display{Name: "Phase", form: named, Reg: 14, Text: "Phase of the station",
		names: []string{"empty", "await", "run", "held", "manual", "fault"}})
	add(Display{Name: "Permitted", form: bit, Reg: 15, bit: 0, Text: "All permissives are on"})
	add(Display{Name: "GatewayAlive", form: bit, Reg: 15, bit: 4, Text: "The gateway is alive"})
	measure("Diameter", scaledLong, 30, tenth, "mm", "Diameter of the roll")
	measure("Width", scaledLong, 32, tenth, "mm", "Width of the roll")
	measure("Weight", scaledLong, 34, tenth, "kg", "Weight of the roll if it was weighed before, else 0")
	number("GradeCode", word, 36, "Code of the grade, 0 none")
	number("CoreCode", word, 37, "Code of the core, 0 none")
	measure("ScanQuality", scaled, 38, 1, "%", "Quality of the scan")
	measure("ScanAge", scaled, 39, hundredth, "s", "Age of the scan when the request was published")
	measure("PlatenTemperature", scaled, 91, tenth, "°C", "Temperature of the cooler platen")
	add(Display{Name: "Verdict", form: named, Reg: 47, Text: "Verdict on the newest offer",
		names: []string{"none", "accepted", "rejected", "held"}})
	number("Reason", word, 48, "Reason of the verdict")
	number("OutcomesProduced", long, 51, "Outcomes produced")
	number("OutcomesAcknowledged", long, 53, "Outcomes acknowledged")

	in = OfRecipe
	number("Tag", text, 21, "Tag of the roll that the recipe was made for")
	number("RollNumber", long, 10, "Number of the roll")
	number("WrapperSlot", word, 33, "Slot of the wrapper")
	measure("WrapperWidth", scaled, 34, tenth, "mm", "Width of the wrapper")
	measure("FeedLength", scaledLong, 35, tenth, "mm", "Length of wrapper to feed")
	number("FeedCounts", long, 37, "Length of wrapper to feed, in encoder counts")
	measure("Layers", scaled, 39, hundredth, "", "Layers of wrapper")
	measure("Overlap", scaled, 40, tenth, "mm", "Overlap of the wrapper")
	measure("WrapSpeed", scaled, 41, 1000, "m/s", "Surface speed while wrapping")
	measure("TurningDrive", scaled, 42, hundredth, "Hz", "Turning drive while wrapping")
	measure("FeedDrive", scaled, 43, hundredth, "Hz", "Feed drive")
	measure("CrimpTurns", scaled, 44, hundredth, "", "Turns of the roll while crimping")
	measure("CrimpTime", scaled, 45, hundredth, "s", "Time of crimping")
	measure("TurningDriveCrimping", scaled, 46, hundredth, "Hz", "Turning drive while crimping")
	measure("CrimperDrive", scaled, 47, hundredth, "Hz", "Crimper drive")
	measure("CrimperPressure", scaled, 48, 1, "kPa", "Pressure of the crimper")
	measure("CentreHeight", scaled, 49, tenth, "mm", "Height of the roll's centre")
	measure("CrimperPosition", scaled, 50, tenth, "mm", "Position of the crimper")
	measure("PlatenStroke", scaled, 51, tenth, "mm", "Stroke of the platen")
	measure("ContactPressure", scaled, 52, tenth, "kPa", "Pressure of the platen on the head")
	measure("HeaderTemperature", scaled, 53, tenth, "°C", "Temperature of the platens")
	measure("HeaderDwell", scaled, 54, hundredth, "s", "Time that the platens press")
	measure("InnerHead", scaled, 55, 1, "mm", "Diameter of the inner head, 0 none")
	measure("OuterHead", scaled, 56, 1, "mm", "Diameter of the outer head, 0 none")
	number("VacuumZones", word, 57, "Vacuum zones that are on, one bit each")
	measure("Glue", scaled, 58, 1, "g", "Glue")
	measure("GrossMass", scaledLong, 60, tenth, "kg", "Gross mass expected at the scale")
	measure("Tare", scaledLong, 62, tenth, "kg", "Tare")
	measure("ScaleTolerance", scaled, 64, hundredth, "%", "Tolerance at the scale")
	measure("CentringOffset", scaledSigned, 65, tenth, "mm", "Offset of the roll from the centre of the line")
	number("Groups", word, 66, "Groups of setpoints in force, one bit each")

	in = OfOutcome
	number("Index", long, 2, "Number of the outcome")
	number("RollNumber", long, 4, "Number of the roll")
	add(Display{Name: "Outcome", form: named, Reg: 15, Text: "What became of the roll",
		names: []string{"none", "wrapped", "wrapped by hand", "removed", "aborted", "unknown after loss of memory"}})
	number("WrapperSlot", word, 19, "Slot of the wrapper used")
	measure("FeedLength", scaledLong, 20, tenth, "mm", "Length of wrapper fed")
	measure("Layers", scaled, 22, hundredth, "", "Layers wound")
	measure("CrimpTime", scaled, 23, hundredth, "s", "Time of crimping")
	measure("HeaderTemperature", scaled, 24, tenth, "°C", "Temperature of the platens")
	measure("HeaderDwell", scaled, 25, hundredth, "s", "Time that the platens pressed")
	measure("OuterHead", scaled, 26, 1, "mm", "Diameter of the outer head")
	measure("Overlap", scaled, 27, tenth, "mm", "Overlap of the wrapper")
	measure("ScaleReading", scaledLong, 28, tenth, "kg", "Reading of the scale, 0 not weighed")
	measure("EncoderLength", scaledLong, 30, tenth, "mm", "Wrapper used by the encoder")
	return all
}

// unitCode is the code and name of a unit by UN/ECE recommendation 20.
func unitCode(unit string) (code, name string) {
	switch unit {
	case "mm":
		return "MMT", "millimetre"
	case "kg":
		return "KGM", "kilogram"
	case "g":
		return "GRM", "gram"
	case "s":
		return "SEC", "second"
	case "Hz":
		return "HTZ", "hertz"
	case "kPa":
		return "KPA", "kilopascal"
	case "%":
		return "P1", "percent"
	case "°C":
		return "CEL", "degree Celsius"
	case "m/s":
		return "MTS", "metre per second"
	}
	return "", ""
}

// unitID is the number that OPC UA gives a unit: the characters of its code
// as bytes, the last one lowest (OPC UA part 8, 5.6.3).
func unitID(code string) int32 {
	var id int32
	for _, c := range []byte(code) {
		id = id<<8 | int32(c)
	}
	return id
}
