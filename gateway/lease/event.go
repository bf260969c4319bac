package lease

import (
	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
)

// Event is something that happened outside a Line.
type Event interface{ event() }

type (
	// Tick says that time has passed, and what this daemon may do now.
	Tick struct {
		May May
		// Fenced says that the controller fenced the machine of the line, which held the
		// lease of number FencedAt then.
		Fenced   bool
		FencedAt uint32
		Online   bool // a connection to the engine stands
	}
	// Read answers Look.
	Read struct{ Row engine.Lease }
	// Renewed answers Renew.
	Renewed struct{}
	// Lost answers Renew where the row is not this daemon's any more, with the row.
	Lost struct{ Row engine.Lease }
	// Took answers Take and Claim. OK is false where another was first.
	Took struct {
		Number uint32
		OK     bool
	}
	// Silent says that the engine did not answer, and that the connection to it is gone:
	// the fate of what was on its way is unknown.
	Silent struct{}
	// MovedByHand says that a person moved the line here while the engine was away.
	MovedByHand struct{}
)

func (Tick) event()        {}
func (Read) event()        {}
func (Renewed) event()     {}
func (Lost) event()        {}
func (Took) event()        {}
func (Silent) event()      {}
func (MovedByHand) event() {}

// Action is what a Line wants done.
type Action interface{ action() }

type (
	// Look asks for the row.
	Look struct{}
	// Renew counts the beat of the lease of a number on, if it is still this daemon's.
	Renew struct{ Number uint32 }
	// Take takes the lease, if the row is still as it was seen.
	Take struct{ Seen engine.Lease }
	// Claim takes the lease of which the engine forgot that it was held under a number.
	Claim struct{ Held uint32 }
	// Release lets the lease of a number go, so that another takes it at once.
	Release struct{ Number uint32 }
	// Tell tells the machine of the line.
	Tell struct{ Lease cycle.Lease }
	// Forgot says that the engine knows a lower number than it gave out.
	Forgot struct {
		Row  engine.Lease
		Held uint32
	}
)

func (Look) action()    {}
func (Renew) action()   {}
func (Take) action()    {}
func (Claim) action()   {}
func (Release) action() {}
func (Tell) action()    {}
func (Forgot) action()  {}
