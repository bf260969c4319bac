// Package replay looks back at what a journal recorded: which recipes, holds
// and findings another configuration would have given for the same rolls, and
// what the controller really used. It compares the numbers of the wire, so
// that a difference too small to reach the controller is none.
package replay

import (
	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Field is one setpoint as it stands in a payload.
type Field struct {
	*recipe.Setpoint
	Scale float64 // value in SI = number on the wire × Scale

	wire handshake.SetpointField
}

// Fields are the setpoints of the payload in register order.
func Fields() []Field {
	var out []Field
	for _, f := range handshake.SetpointFields() {
		out = append(out, Field{Setpoint: recipe.SetpointOf(f.Setpoint), Scale: 1 / f.PerSI(), wire: f})
	}
	return out
}

// Value is a number on the wire, and whether it is in force.
type Value struct {
	Raw     int64
	InForce bool
}

// groupsField is where the payload tells the groups in force.
func groupsField() handshake.FieldInfo { return handshake.FieldOf(handshake.PAYLOAD, "groups") }

// sideOf is a side whose groups in force stand in the field groups.
func sideOf(words []uint16, groups *handshake.FieldInfo) *side {
	return &side{words: words, read: recipe.Setpoints{Groups: recipe.Groups(groups.Number(words))}}
}

// side is one side of a comparison of setpoints: the words of its payload.
type side struct {
	words []uint16
	read  recipe.Setpoints // with the groups in force, and what was read of the words
}

// value reads the setpoint of a side.
func (f *Field) value(s *side) Value {
	v := Value{Raw: f.wire.Number(s.words)}
	f.Set(&s.read, float64(v.Raw))
	v.InForce = f.InForce(&s.read)
	return v
}
