// Package caution is the one table of the cautions that are shown where work can
// hurt somebody. None of them is a safety function, and none takes the place of
// local codes, of what the maker of the machine says and of licensed people.
package caution

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

var texts = [count]string{
	NoStop:    "This is no stop of the machine: a recipe that the controller accepted is worked to its end. To stop the line use its own controls.",
	ReachIn:   "Lock out and tag out before reaching in.",
	Overhead:  "A wrapper roll overhead is a load that can kill. Lock out and tag out the stand and its brake, keep everybody out from under the load, and use the hoist and the gear that are rated for it.",
	Ends:      "Turning rolls stopped and locked out, platens open, before hands go to the ends.",
	Limits:    "These limits only keep back a recipe and protect nobody: guards, emergency stops, over-temperature trips and hydraulic relief stay in safety-rated hardware.",
	NipPoints: "Turning rolls, feed and crimpers are nip points and start without warning: lock out, and keep clear.",
	RollsMove: "Rolls overhead and on a slope fall or roll: chock the roll, and keep from under it.",
	Pressure:  "Cylinders, brakes and presses hold pressure after the power is off: let it off before anyone reaches in.",
	Platens:   "Platens burn at once and stay hot for long: simulate the sensors, do not heat the platens.",
	Look:      "Stand at the station and look before you answer.",
	Licensed:  "Only people who are trained and licensed for it switch the controller, under the codes of the place.",
	Roll:      "Stop and lock out the turning rolls before anybody goes near the roll, and chock the roll.",
	Press:     "The platens stay hot for long: lock out the press with the platens open before reaching in.",
	Proof: "This proves the exchange of recipes and no safety function. Drives, heat and hydraulics stay locked out. " +
		"Nip points start without warning, stored pressure stays after the power is off, platens burn at once, rolls overhead and on a slope fall or roll. " +
		"Local codes and licensed people decide.",
	Pace: "A rate is an estimate and no target: nobody hurries at a nip point, reaches in, skips a lock-out or defeats a guard to reach it.",
}

// String is the caution in whole sentences, empty for one that is not known.
func (c Caution) String() string {
	if c < count {
		return texts[c]
	}
	return ""
}
