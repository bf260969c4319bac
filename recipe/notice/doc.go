// Package notice finds faults of the process in what was recorded of the rolls:
// plain data in, findings out. It needs no sensor that the line does not have.
//
// Every quantity is compared with what was expected of it, in standard
// uncertainties of the difference, roll after roll. One roll proves nothing: a
// test adds up by how much the rolls differ beyond what a sound line may, and
// finds a fault when the sum has grown too large (a cumulative sum, Page 1954).
// It then names the rolls since the sum was last zero, which is where the fault
// began as far as the record can tell. A finding ends when its sum is zero
// again.
//
//	code                  what is compared
//	platen-cold           platen at the requests, with its setpoint
//	feed-counts           wrapper by the encoder, with turns of the roll and overlap,
//	                      over all rolls and by slot
//	scale-off             scale, with the predicted gross mass, over all rolls
//	wrapper-weight        the same over the rolls of one slot, where another
//	                      wrapper would make a difference beyond 2·√(u_s² + u_r²)
//	scanner-position      each position of the scanner, with a line through all
//	scanner-blind         readings lost at one position between others
//	overhang-off          overhang as measured, by slot
//	press-pressure-low    pressure of the press as measured
//	caliper-off           wound caliper from two outer diameters of a wrapper roll
//	                      and the length drawn between them,
//	                      t = π(OD₁² − OD₂²)/(4ΔL), by slot
//
// # False alarms
//
// Over all codes together a sound line has fewer than one false finding in a
// thousand rolls. Sound means: what differs from roll to roll is independent
// and no wider than its stated uncertainty, and what is the same for all rolls,
// as a slip or a scale that are not quite what was configured, lies within twice
// its own. A line whose settings are wrong by more gets findings, and they are
// right: the settings want calibrating. A single wild reading is never enough.
//
// # What cannot be known
//
// The record cannot tell of a platen whose sensor reads high, nor of air
// between platen and head: the temperature looks right and the bond is cold.
// Only the ends of the rolls and reported failures show them. Low hydraulic
// pressure is known only where the controller reports it. A damp head or
// wrapper is known to nobody without a measurement of moisture; its effect is
// part of the uncertainty of the backing. A wrong wrapper of like mass and width
// looks like the right one: what hangs is confirmed by the person who hangs it.
// A narrow ridge or hollow that every roll of one winder has at the same place
// under the scanner looks like a dirty scanner. The first and the last position
// of a scanner may be beside a narrow roll, so that a reading lost there says
// nothing.
package notice
