// Package recipe turns a measured roll into what the wrapping line is told.
//
// Compute goes from station to station in the order in which each needs the
// one before: what the roll is, which heads, which wrapper, how the wrapped
// roll lies on the turning rolls, how much is fed, how it is crimped, what the
// drives run at, how it is glued and pressed, which vacuum zones hold it, where
// it is put and what it weighs. Each station stands in a file of its own.
// Explain tells the same computation step by step, Instructions what an
// operator does at manual stations, Weigh what a scale reading means, and
// package check proves the outcome against the limits of the line.
//
// The package is pure: no clock, no randomness, no input or output, nothing
// kept between calls. Quantities are SI, temperatures °C.
package recipe
