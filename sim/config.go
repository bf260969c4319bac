package sim

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/mapped"
	"lapgate/sim/modbus"
	"lapgate/sim/opcua"
	"lapgate/sim/physics"
)

// Config is one simulated line and the shift it wraps. Quantities are SI,
// temperatures in °C; times of the line are seconds of its own time, which
// runs Speed times as fast as the clock. Durations are real time.
type Config struct {
	Seed  uint64
	Speed float64       // line seconds per real second
	Scan  time.Duration // of the controller program
	Limit time.Duration // longest real time of a shift

	// Linger keeps the controller program running after the shift, until the
	// context of Run ends.
	Linger bool
	// Shadow is for a gateway that only looks on: the operator takes each roll
	// in hand after Patience, and nobody acknowledges an outcome.
	Shadow bool

	Modbus ModbusConfig
	OPCUA  opcua.Config // an empty address serves none
	// Tags makes it a controller that offers tags: over Modbus in place of the
	// blocks, over OPC UA beside them. Nil for blocks alone.
	Tags    *mapped.Config
	Bases   controller.Bases
	Program controller.Config // its GoneTime is that of Times
	// Floor is the floor of epochs that the controller begins with.
	Floor uint32
	// Quirks are those of its registers, and StrangeTags gives rolls tags of any
	// bytes.
	Quirks      controller.Quirks
	StrangeTags bool
	// Ignored are groups of setpoints, one bit each, that the line does by its habit
	// whatever the recipe says.
	Ignored uint16

	// Rolls come in this order. A grade or core that the line does not know is in truth
	// its first one.
	Rolls  []Roll
	Grades []Grade
	Cores  []Core
	Sizes  Sizes // of the rolls that Shift draws

	Stand    Stand
	Cradle   Cradle
	Wrap     Wrap
	Crimp    Crimp
	Drives   Drives
	Header   Header
	Spread   Spread
	Heads    []float64 // sizes of outer head in stock, smallest first
	Scanner  Scanner
	Centring Centring
	Scale    Scale
	Habit    Habit
	Times    Times
	Operator Operator
	Accept   Accept
	// Headless is a line that puts no outer heads on and presses none.
	Headless bool

	Faults  FaultConfig
	Process ProcessConfig

	// OnRoll is called when a roll has left the station, from within Run.
	OnRoll func(RollReport)
	// OnEvent is called with what the controller's program decides, from within Run.
	OnEvent func(*controller.Event)
	// OnFault is called when a fault occurs, from within Run.
	OnFault func(PlannedFault)
	// OnLedger is called for each event of the controller's program, from within
	// Run.
	OnLedger func(LedgerEvent)

	allowed []int // numbers of the slots that rolls of the grade at hand are wrapped from; nil for all
}

// Sizes are the least and the greatest diameter and width of rolls, m.
type Sizes struct{ DiameterMin, DiameterMax, WidthMin, WidthMax float64 }

// ModbusConfig is the Modbus TCP server. An empty address serves none.
type ModbusConfig struct {
	Addr string
	Unit uint8
	TLS  *modbus.Security // nil for plain Modbus
}

// Grade is what a grade code stands for.
type Grade struct {
	Code    int
	Name    string
	Density float64 // kg/m³, wound
	// Wrap is how its rolls are wrapped; nil for as the line wraps all.
	Wrap *Wrapping
}

// Core is what a core code stands for.
type Core struct {
	Code     int
	Name     string
	Diameter float64 // m, outer
	Mass     float64 // kg/m
}

// Stand is the overhead wrapper stand.
type Stand struct {
	Slots   []Slot
	Core    float64 // m, outer diameter of a wrapper roll's core
	Full    float64 // m, outer diameter of a fresh wrapper roll
	Reserve float64 // m of paper at which the operator hangs a fresh roll
	Change  float64 // s to hang it
}

// Slot is one wrapper roll on the stand.
type Slot struct {
	Number      int // 1 to 6
	Width       float64
	Caliper     float64
	BasisWeight float64 // kg/m²
	Coated      bool
	Outer       float64 // m at the start, 0 for a fresh roll
}

// Cradle is the pair of turning rolls.
type Cradle struct{ Diameter, Spacing float64 }

// Wrap is the feed of the wrapper.
type Wrap struct {
	CountsPerMetre float64
	Slip           float64 // share of the feed rolls' travel that is not paper
	Accel, Decel   float64

	// The wrapper slides where the friction of the nip does not hold its tension.
	Friction float64 // of the feed rolls on the wrapper
	Nip      float64 // force of the nip over the tension; 0 for a wrapper that never slides
}

// Crimp is the crimping station.
type Crimp struct {
	Accel, Decel    float64
	Engage, Retract float64 // s
	Slip            float64 // share of the turning rolls' travel that the roll does not follow
}

// Drives are the motors of the line.
type Drives struct{ Turning, Feed, Crimper physics.Motor }

// Header is the press of the outer heads, as it nominally is.
type Header struct {
	Head       physics.Solid
	Thickness  float64 // m, platen to bond line
	HeadWeight float64 // kg/m² of an outer head
	Inner      float64 // kg/m² of an inner head
	Effusivity float64 // of the backing, J/(m²·K·√s)
	Resistance float64 // m²K/W at the bond line
	Water      float64 // kg/m² of water in the glue, 0 for a head that fuses
	Dries      float64 // temperature at which the water leaves

	Contact   physics.Contact
	Hydraulic float64 // Pa in the cylinders, as the controller reports it; 0 not measured
	Force     float64 // N of a platen on a roll end; 0 for the contact at its reference pressure
	Platen    float64 // m, diameter of a platen

	Lag     float64    // s, of the sensors of the platens
	Ambient float64    // also of heads and wrapper before pressing
	Mass    float64    // J/m²K of a platen
	Power   float64    // W/m² of its heater
	Loss    float64    // W/m²K
	Errors  [2]float64 // K that each platen is hotter than its thermostat believes
	Start   float64    // temperature at the start of the shift
	Ready   float64    // K off the setpoint at which the press may close
	Hot     float64    // temperature from which the permissive is on
}

// Spread is how far what is true lies from what anybody knows: standard
// deviations that are drawn for each roll. The zero value is a line without
// surprises.
type Spread struct {
	Conductance   float64 // relative
	Effusivity    float64 // relative, of the backing
	HeadThickness float64 // relative
	Conductivity  float64 // relative, of the head
	Start         float64 // K, of head and wrapper
	Diameter      float64 // m, of what the scanner reads for a roll
	Width         float64 // m, of what the scanner reads for a roll
	WrapperWidth  float64 // m
	HeadSize      float64 // m, diameter
	HeadPlacement float64 // m, half width of how far off centre a head lies
}

// Scanner is how well the scanner measures.
type Scanner struct {
	DiameterNoise, WidthNoise float64 // m, standard deviation of a sample
	Quality                   int     // 0 to 100
}

// Centring is how well a roll is centred.
type Centring struct {
	Error  float64 // m, half width
	Offset float64 // m, of the hung sheets from the line centre
}

// Scale is how well the scale weighs.
type Scale struct {
	Zero  float64 // kg that it shows with nothing on it
	Noise float64 // kg, standard deviation
	Step  float64 // kg of the display
}

// Habit is what the line does with a setpoint that the recipe does not give,
// and what the operator wraps by hand with.
type Habit struct {
	Layers      float64
	Overlap     float64
	WrapSpeed   float64
	CrimpTurns  float64
	CrimpSpeed  float64
	Temperature float64
	Dwell       float64 // s; 0 for what the press is known to need, and half as much again
	Overhang    float64
	Confirm     bool // the operator confirms the slot for the roll that waits
}

// Times are the times of the work that is not simulated in detail, s.
type Times struct {
	Arrive, Measure, InnerHead, OuterHead, Eject, Weigh float64
	CrimpLimit, HeatLimit                               float64
	Gone                                                float64 // a roll that the sensor does not see for so long is gone
}

// Operator is how the operator acts.
type Operator struct {
	React    float64       // s of line time before the operator acts
	Start    float64       // s of line time before the operator presses start
	Patience time.Duration // a request that waits this long is taken in hand
	Retries  int           // retries of one roll before it is taken in hand
	// Looked, unless nil, says whether a gateway has looked at the request for a roll of that
	// number: the operator's patience begins with it, however slow the machine is.
	Looked func(roll uint32) bool
}

// Accept are the limits a finished wrap is judged by. They are the line's own.
type Accept struct {
	OverhangMin, OverhangMax float64 // each side
	LapMin                   float64 // under the outer head, on the poor side
	OverlapShort             float64 // less than wanted by at most
	OverlapLong              float64 // more than wanted by at most
	FeedError                float64 // relative, of the paper fed
	CrimpTurns               float64 // at least
	CrimpError               float64 // of the turns made from those wanted
	Bond                     float64 // temperature the bond line must reach
	BondHold                 float64 // s at it
	Flat                     float64 // Pa on the ring that press it flat all round
	Unbonded                 float64 // share of the ring without a bond, at most
	Dose                     float64 // s at 180 °C that the face of a head may be scorched for
	SpeedMatch               float64 // relative, feed against turning
	CentreHeight             float64 // error of the height told
	WidthError               float64 // of the sheet's width told
	CaliperError             float64 // relative, of the wrapper's caliper
	HeadOver                 float64 // an outer head may stand over the smaller end of the roll by
}

// FaultConfig says which faults occur how often.
type FaultConfig struct {
	Names []string // from SimulatedFaults; "all" for every one
	Count int      // of each in one shift
	Seed  uint64
	At    []FaultAt // wanted besides, each at one roll
}

// The permissives, by bit.
const (
	Hydraulics = iota
	Air
	Guards
	PlatensHot
	DrivesReady
	NoFault
)

// PermissiveNames are the permissives in plain terms, by bit.
func PermissiveNames() []string {
	return []string{"hydraulics ready", "air pressure", "guards closed", "platens hot", "drives ready", "no fault"}
}

const inch = 0.0254

// program is the controller's program on a controller whose first scan takes
// several.
func program() controller.Config {
	c := controller.DefaultConfig()
	c.FirstScans = 4
	return c
}

// DefaultConfig is a plausible line with six slots and no rolls.
func DefaultConfig() Config {
	wrapper := func(n int, width float64) Slot {
		return Slot{Number: n, Width: width * inch, Caliper: 0.012 * inch, BasisWeight: 0.200, Coated: true}
	}
	paper := physics.Solid{Conductivity: 0.12, Density: 750, HeatCapacity: 1400}
	var heads []float64
	for d := 18.0; d <= 60; d += 2 {
		heads = append(heads, d*inch)
	}
	return Config{
		Seed:    1,
		Speed:   200,
		Scan:    20 * time.Millisecond,
		Limit:   5 * time.Minute,
		Modbus:  ModbusConfig{Addr: "127.0.0.1:0", Unit: 1},
		Bases:   controller.DefaultBases(),
		Program: program(),
		Grades:  []Grade{{Code: 1, Name: "newsprint", Density: 800}, {Code: 2, Name: "board", Density: 720}, {Code: 3, Name: "coated", Density: 950}},
		Sizes:   Sizes{21 * inch, 59 * inch, 20 * inch, 75 * inch},
		Cores:   []Core{{1, "3 in", 3 * inch, 1.2}, {2, "4 in", 4 * inch, 1.8}},
		Stand: Stand{
			Slots: []Slot{
				wrapper(1, 31), wrapper(2, 38), wrapper(3, 46), wrapper(4, 58), wrapper(5, 70), wrapper(6, 84),
			},
			Core: 3 * inch, Full: 1.0, Reserve: 60, Change: 90,
		},
		Cradle: Cradle{Diameter: 0.4, Spacing: 0.6},
		Wrap:   Wrap{CountsPerMetre: 2000, Slip: 0.001, Accel: 0.3, Decel: 0.3, Friction: 0.6, Nip: 2.2},
		Crimp:  Crimp{Accel: 0.25, Decel: 0.25, Engage: 1, Retract: 1, Slip: 0.002},
		Drives: Drives{
			Turning: physics.Motor{Diameter: 0.4, Gear: 25, Poles: 4, Rated: 1750, BaseHz: 60},
			Feed:    physics.Motor{Diameter: 0.4, Gear: 25, Poles: 4, Rated: 1750, BaseHz: 60},
			Crimper: physics.Motor{Diameter: 0.4, Gear: 25, Poles: 4, Rated: 1750, BaseHz: 60},
		},
		Header: Header{
			Head: paper, Thickness: 0.0003, HeadWeight: 0.225, Inner: 0.225, Effusivity: 355,
			Contact:   physics.Contact{Conductance: 1020, Reference: 10e3, Low: 2e3, High: 100e3},
			Hydraulic: 4e6, Force: 11.2e3, Platen: 1.9,
			Lag: 5, Ambient: 20, Mass: 61e3, Power: 11.5e3, Loss: 31, Start: 350.0/1.8 - 32/1.8, Ready: 1, Hot: 80,
		},
		Heads:    heads,
		Scanner:  Scanner{DiameterNoise: 0.0004, WidthNoise: 0.0006, Quality: 95},
		Centring: Centring{Error: 0.008},
		Scale:    Scale{Noise: 0.4, Step: 0.5},
		Habit: Habit{
			Layers: 3, Overlap: 6 * inch, WrapSpeed: 0.6, CrimpTurns: 1.25, CrimpSpeed: 0.4,
			Temperature: 350.0/1.8 - 32/1.8, Overhang: 5 * inch,
		},
		Times:    Times{Arrive: 8, Measure: 4, InnerHead: 5, OuterHead: 6, Eject: 5, Weigh: 4, CrimpLimit: 150, HeatLimit: 1800, Gone: 2},
		Operator: Operator{React: 25, Start: 3, Patience: 10 * time.Second, Retries: 3},
		Accept: Accept{
			OverhangMin: 0.074, OverhangMax: 0.182, LapMin: 0.020,
			OverlapShort: 0.060, OverlapLong: 0.400, FeedError: 0.004,
			CrimpTurns: 1.0, CrimpError: 0.12,
			Bond: 118, BondHold: 0, Flat: 12e3, Unbonded: 0.05, Dose: 120, SpeedMatch: 0.02, CentreHeight: 0.015, WidthError: 0.002, CaliperError: 0.1, HeadOver: 0.005,
		},
		Faults: FaultConfig{Count: 3, Seed: 1},
	}
}

// Validate reports everything that is wrong with a configuration at once.
func (c *Config) Validate() error {
	var all []string
	add := func(bad bool, format string, args ...any) {
		if bad {
			all = append(all, fmt.Sprintf(format, args...))
		}
	}
	positive := func(name string, v float64) {
		add(!(v > 0) || math.IsInf(v, 0), "%s is %g, want a positive number", name, v)
	}
	positive("Speed", c.Speed)
	add(c.Scan < 2*time.Millisecond || c.Scan > 100*time.Millisecond, "Scan is %s, want 2ms to 100ms", c.Scan)
	add(c.Limit <= 0, "Limit is %s, want a positive duration", c.Limit)
	add(len(c.Rolls) == 0, "there are no rolls; give a list, or make some up with Shift")
	add(len(c.Grades) == 0 || len(c.Cores) == 0, "there are %d grades and %d cores, want one of each at least", len(c.Grades), len(c.Cores))
	add(!(c.Sizes.DiameterMin > 0 && c.Sizes.DiameterMax >= c.Sizes.DiameterMin && c.Sizes.WidthMin > 0 && c.Sizes.WidthMax >= c.Sizes.WidthMin),
		"Sizes is %v, want a least diameter and width above 0, and no greatest below its least", c.Sizes)
	add(len(c.Stand.Slots) == 0, "there are no slots; a stand has 1 to 6")
	seen := map[int]bool{}
	for i, s := range c.Stand.Slots {
		add(s.Number < 1 || s.Number > 6 || seen[s.Number], "slot %d has number %d, want 1 to 6, each once", i+1, s.Number)
		seen[s.Number] = true
		positive(fmt.Sprintf("width of slot %d", s.Number), s.Width)
		positive(fmt.Sprintf("caliper of slot %d", s.Number), s.Caliper)
	}
	positive("Stand.Core", c.Stand.Core)
	add(c.Stand.Full <= c.Stand.Core, "Stand.Full is %g m, want more than the core's %g m", c.Stand.Full, c.Stand.Core)
	positive("Cradle.Diameter", c.Cradle.Diameter)
	positive("Wrap.CountsPerMetre", c.Wrap.CountsPerMetre)
	for _, r := range []struct {
		name string
		v    float64
	}{
		{"Wrap.Accel", c.Wrap.Accel}, {"Wrap.Decel", c.Wrap.Decel}, {"Crimp.Accel", c.Crimp.Accel}, {"Crimp.Decel", c.Crimp.Decel},
		{"Header.Thickness", c.Header.Thickness}, {"Header.Contact.Conductance", c.Header.Contact.Conductance},
		{"Header.Platen", c.Header.Platen},
		{"Header.Mass", c.Header.Mass}, {"Header.Head.Conductivity", c.Header.Head.Conductivity},
		{"Habit.Layers", c.Habit.Layers}, {"Habit.WrapSpeed", c.Habit.WrapSpeed}, {"Habit.CrimpSpeed", c.Habit.CrimpSpeed},
	} {
		positive(r.name, r.v)
	}
	for i := range c.Rolls {
		r := &c.Rolls[i]
		at := fmt.Sprintf("roll %d (%s)", i+1, r.Tag)
		add(r.Tag == "" || len(r.Tag) > 16, "%s: tag has %d characters, want 1 to 16", at, len(r.Tag))
		positive(at+": diameter", r.Diameter)
		positive(at+": width", r.Width)
		add(r.Diameter > largestRoll || r.Width > largestRoll, "%s: %g × %g m do not fit the request's sample registers, want at most %g m", at, r.Diameter, r.Width, largestRoll)
	}
	c.Process.wrong(add)
	c.Faults.wrong(len(c.Rolls), add)
	names := namesOf(SimulatedFaults(), func(f *SimulatedFault) string { return f.Name })
	for _, n := range c.Faults.Names {
		add(n != "all" && !slices.Contains(names, n), "no fault is named %q, want one of %s", n, strings.Join(names, ", "))
	}
	if len(all) == 0 {
		return nil
	}
	const most = 10 // that anybody reads
	if more := len(all) - most; more > 0 {
		all = append(all[:most], fmt.Sprintf("and %d more", more))
	}
	return fmt.Errorf("simulator configuration: %s", strings.Join(all, "; "))
}

// grade is what a code stands for, the first grade for one that is not known.
func (c *Config) grade(code int) *Grade {
	for i := range c.Grades {
		if c.Grades[i].Code == code {
			return &c.Grades[i]
		}
	}
	return &c.Grades[0]
}

// core is what a code stands for, the first core for one that is not known.
func (c *Config) core(code int) *Core {
	for i := range c.Cores {
		if c.Cores[i].Code == code {
			return &c.Cores[i]
		}
	}
	return &c.Cores[0]
}
