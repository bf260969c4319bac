// Package rate tells how many rolls an hour a line wraps of an order mix, which of its
// stations takes most of the time, what a step of automation more would bring, and how
// much wrapper that takes.
//
// # The line
//
// There is one roll at a time between its scan and its outcome, as the exchange with
// the controller has it: a roll is lifted in, centred and scanned, gets its recipe, is
// wrapped, crimped, pressed, weighed and sent out, and then the next one comes. No two
// stations work at once, so the times of all steps add up to the cycle of a roll, and
// the bottleneck is the station with the greatest share of it.
//
// A step has two parts. What the machine moves or heats is taken from the recipe of
// each roll itself: wrapping and crimping from rest to rest, and the dwell of the
// press. The rest is the work of hands or of handling gear, which no physics tells:
// it is a setting for each way to work the station. A station that is worked by hand
// turns the roll at a speed of its own, slower than that of the drives.
//
// A wrapper roll that is used up stops the line for as long as it takes to hang
// another. Counted over many rolls that is a share of a change for each roll. Where
// another roll is wrapped in the meantime the line stands for less.
//
// What is not in it: stops, breaks, rolls that are held, and a line that waits for
// rolls or for the truck.
package rate
