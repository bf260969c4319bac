// Package recipe turns a measured roll into what the wrapping line is told.
//
// Compute goes from station to station in the order in which each needs the
// one before: what the roll is, which heads, which wrapper, how the wrapped
// roll lies on the turning rolls, how much is fed, how it is crimped, how it
// is pressed. Each station stands in a file of its own. Explain tells the
// same computation step by step, and package check proves its outcome against
// the limits of the line.
//
// The package is pure: no clock, no randomness, no input or output, nothing
// kept between calls. Quantities are SI, temperatures °C.
package recipe
