package wording

// cautions are shown where work can hurt somebody.
var cautions = []Entry{
	{"caution.no-stop", "This is no stop of the machine: a recipe that the controller accepted is worked to its end. To stop the line use its own controls."},
	{"caution.reach-in", "Lock out and tag out before reaching in."},
	{"caution.overhead", "A wrapper roll overhead is a load that can kill. Lock out and tag out the stand and its brake, keep everybody out from under the load, and use the hoist and the gear that are rated for it."},
	{"caution.ends", "Turning rolls stopped and locked out, platens open, before hands go to the ends."},
	{"caution.limits", "These limits only keep back a recipe and protect nobody: guards, emergency stops, over-temperature trips and hydraulic relief stay in safety-rated hardware."},
	{"caution.nip-points", "Turning rolls, feed and crimpers are nip points and start without warning: lock out, and keep clear."},
	{"caution.rolls-move", "Rolls overhead and on a slope fall or roll: chock the roll, and keep from under it."},
	{"caution.pressure", "Cylinders, brakes and presses hold pressure after the power is off: let it off before anyone reaches in."},
	{"caution.platens", "Platens burn at once and stay hot for long: simulate the sensors, do not heat the platens."},
	{"caution.look", "Stand at the station and look before you answer."},
	{"caution.licensed", "Only people who are trained and licensed for it switch the controller, under the codes of the place."},
	{"caution.roll", "Stop and lock out the turning rolls before anybody goes near the roll, and chock the roll."},
	{"caution.press", "The platens stay hot for long: lock out the press with the platens open before reaching in."},
	{"caution.proof", "This proves the exchange of recipes and no safety function. Drives, heat and hydraulics stay locked out. Nip points start without warning, stored pressure stays after the power is off, platens burn at once, rolls overhead and on a slope fall or roll. Local codes and licensed people decide."},
	{"caution.pace", "A rate is an estimate and no target: nobody hurries at a nip point, reaches in, skips a lock-out or defeats a guard to reach it."},
}
