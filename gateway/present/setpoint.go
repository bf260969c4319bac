package present

import (
	"encoding/json"
	"math"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// Setpoint is the value of a setpoint as a cell.
func Setpoint(v recipe.Value) any {
	switch v.Form {
	case recipe.Whole:
		return int64(v.Value)
	case recipe.Bits:
		return bitSet(v)
	}
	return v.Value
}

// bitSet is a set of bits: in JSON their number, for people a list.
type bitSet recipe.Value

// String lists the bits.
func (b bitSet) String() string { return b.Write(nil, b.Value) }

// MarshalJSON writes the number.
func (b bitSet) MarshalJSON() ([]byte, error) { return json.Marshal(int64(b.Value)) }

// SetpointName is the name of a setpoint as a cell.
func SetpointName(p *recipe.Setpoint) Quantity { return Quantity{Name: p.Name, Label: p.Label} }

// SetpointValue is a value of a setpoint in a column of several of them, nil for
// nothing.
func SetpointValue(p *recipe.Setpoint, v *float64) any {
	if v == nil {
		return nil
	}
	if p.Form != recipe.Number {
		return Setpoint(recipe.Value{Setpoint: p, Value: *v})
	}
	return Amount{Name: p.Name, Value: *v}
}

// SetpointChange is a difference of values of a setpoint in a column of several
// of them, nil for nothing. That of two temperatures has no zero point.
func SetpointChange(p *recipe.Setpoint, v *float64, signed bool) any {
	if v == nil {
		return nil
	}
	name := p.Name
	if p.Dimension == quantity.Temperature {
		name = p.Word() + "_k"
	}
	return Amount{Name: name, Value: Decimal(*v), Signed: signed}
}

// Decimal drops what is only the binary form of a difference of decimals.
func Decimal(v float64) float64 { return math.Round(v*1e9) / 1e9 }
