// Package caution is the one table of the cautions that are shown where work can
// hurt somebody. None of them is a safety function, and none takes the place of
// local codes, of what the maker of the machine says and of licensed people.
package caution

// Caution is what a person is told before hands go somewhere.
type Caution uint8

// The cautions, by what they are about.
const (
	NoStop   Caution = iota // holding a roll, or forbidding to write
	ReachIn                 // reaching into the line
	Overhead                // a wrapper roll above people
	Ends                    // heads at both ends of a roll
	Limits                  // limits of recipes
)

var texts = [...]string{
	NoStop:   "This is no stop of the machine: a recipe that the controller accepted is worked to its end. To stop the line use its own controls.",
	ReachIn:  "Lock out and tag out before reaching in.",
	Overhead: "A wrapper roll overhead is a load that can kill. Lock out and tag out the stand and its brake, keep everybody out from under the load, and use the hoist and the gear that are rated for it.",
	Ends:     "Turning rolls stopped and locked out, platens open, before hands go to the ends.",
	Limits:   "These limits only keep back a recipe and protect nobody: guards, emergency stops, over-temperature trips and hydraulic relief stay in safety-rated hardware.",
}

// All lists the cautions in their order.
func All() []Caution { return []Caution{NoStop, ReachIn, Overhead, Ends, Limits} }

// String is the caution in whole sentences, empty for one that is not known.
func (c Caution) String() string {
	if int(c) < len(texts) {
		return texts[c]
	}
	return ""
}
