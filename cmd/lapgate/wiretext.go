package main

import (
	"math"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// wireUnit is a unit as a quantity: its dimension, and how many of the unit in
// which quantities are held it makes.
type wireUnit struct {
	dim    quantity.Dimension
	factor float64
}

func wireUnitOf(unit string) wireUnit {
	switch unit {
	case "mm":
		return wireUnit{quantity.Length, 1e-3}
	case "kPa":
		return wireUnit{quantity.Pressure, 1e3}
	case "mm/s":
		return wireUnit{quantity.Speed, 1e-3}
	case "g":
		return wireUnit{quantity.Mass, 1e-3}
	}
	for _, d := range quantity.Dimensions() {
		if quantity.SI(d) == unit {
			return wireUnit{d, 1}
		}
	}
	return wireUnit{quantity.None, 1}
}

// wireText writes a value of the wire for people, in the units of the line, or
// in its own unit where there is no line.
func wireText(v float64, unit string, line *recipe.Line) string {
	u := wireUnitOf(unit)
	if line == nil || u.dim == quantity.None {
		return withUnit(plainNumber(v), unit)
	}
	return line.Write(v*u.factor, u.dim)
}

// wireChange writes a difference of values of the wire, with its sign.
func wireChange(v float64, unit string, line *recipe.Line) string {
	value, name := inUnit(v, unit, line)
	text := plainNumber(value)
	if value > 0 && text != "0" {
		text = "+" + text
	}
	return withUnit(text, name)
}

// inUnit converts a difference of values of the wire to the unit of the line.
// A difference of temperatures has no zero point.
func inUnit(v float64, unit string, line *recipe.Line) (value float64, name string) {
	u := wireUnitOf(unit)
	if line == nil || u.dim == quantity.None {
		return v, unit
	}
	name = line.Unit(u.dim)
	return quantity.In(v*u.factor, u.dim, name) - quantity.In(0, u.dim, name), name
}

func withUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + " " + unit
}

// plainNumber rounds to four decimals and drops zeros.
func plainNumber(v float64) string {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	s := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(v, 'f', 4, 64), "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}
