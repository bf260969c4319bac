// Package caution is the one table of the cautions that are shown where work can
// hurt somebody. None of them is a safety function, and none takes the place of
// local codes, of what the maker of the machine says and of licensed people.
package caution

import "lapgate/recipe/wording"

// Caution is what a person is told before hands go somewhere.
type Caution uint8

// The cautions, by what they are about.
const (
	NoStop    Caution = iota // holding a roll, or forbidding to write
	ReachIn                  // reaching into the line
	Overhead                 // a wrapper roll above people
	Ends                     // heads at both ends of a roll
	Limits                   // limits of recipes
	NipPoints                // whatever may turn
	RollsMove                // placing a roll, or taking it away
	Pressure                 // cylinders, brakes and presses
	Platens                  // the heated plates of the press
	Look                     // an answer that a person gives for a roll
	Licensed                 // switching a controller
	Roll                     // somebody beside a roll on the turning rolls
	Press                    // somebody at the press
	Proof                    // proving the program of a controller
	Pace                     // how many rolls an hour a line does
	count
)

// keys are those of the cautions in the table of sentences.
var keys = [count]string{
	NoStop:    "caution.no-stop",
	ReachIn:   "caution.reach-in",
	Overhead:  "caution.overhead",
	Ends:      "caution.ends",
	Limits:    "caution.limits",
	NipPoints: "caution.nip-points",
	RollsMove: "caution.rolls-move",
	Pressure:  "caution.pressure",
	Platens:   "caution.platens",
	Look:      "caution.look",
	Licensed:  "caution.licensed",
	Roll:      "caution.roll",
	Press:     "caution.press",
	Proof:     "caution.proof",
	Pace:      "caution.pace",
}

// Said is the caution in whole sentences; it says nothing for one that is not known.
func (c Caution) Said() wording.Said {
	if c < count {
		return wording.Say(keys[c])
	}
	return wording.Said{}
}

// String is the caution in English.
func (c Caution) String() string { return c.Said().String() }
