// Package replay looks back at what a journal recorded: which recipes, holds
// and findings another configuration would have given for the same rolls, and
// what the controller really used. It compares in the units of the wire, so
// that a difference too small to reach the controller is none.
package replay

import (
	"slices"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Field is one setpoint as it stands in a payload.
type Field struct {
	Name  string  // as in the register map
	Unit  string  // "" for plain numbers and bits
	Scale float64 // value in Unit = number on the wire × Scale
	Bits  bool    // a set of bits, whose difference is no quantity

	at    place
	group int // recipe.Station, or ungrouped
}

// ungrouped is the group of a setpoint that is in force whenever it is not 0.
const ungrouped = -1

// place is where a number stands among the words of a block.
type place struct {
	register int
	form     handshake.Form
}

func (p place) read(words []uint16) int64 {
	switch p.form {
	case handshake.FormU32:
		return int64(words[p.register])<<16 | int64(words[p.register+1])
	case handshake.FormI16:
		return int64(int16(words[p.register]))
	}
	return int64(words[p.register])
}

// Fields are the setpoints of the payload in register order.
func Fields() []Field {
	var out []Field
	groups := groupsPlace()
	for _, info := range handshake.Fields(handshake.PAYLOAD) {
		if info.Register < handshake.FirstSetpoint || info.Register >= groups.register {
			continue // before the setpoints stands whom they are for, after them the checksum
		}
		out = append(out, Field{
			Name: info.Name, Unit: info.Unit, Scale: info.Scale, Bits: info.Name == "vacuum_zones",
			at: place{info.Register, info.Kind}, group: groupOf(info.Name),
		})
	}
	return out
}

const groupsField = "groups"

// groupOf is the group that brings a setpoint into force.
func groupOf(name string) int {
	switch name {
	case "slot", "wrapper_width":
		return int(recipe.GroupStand)
	case "feed_length", "feed_counts", "layers", "overlap", "wrap_speed":
		return int(recipe.GroupWrap)
	case "turning_frequency", "feed_frequency", "crimp_turning_frequency", "crimper_frequency":
		return int(recipe.GroupDrives)
	case "crimp_turns", "crimp_time", "crimper_pressure", "roll_centre", "crimper_position":
		return int(recipe.GroupCrimp)
	case "platen_stroke", "contact_pressure", "header_temperature", "header_dwell":
		return int(recipe.GroupHeader)
	case "glue":
		return int(recipe.GroupGlue)
	case "gross_mass", "tare", "scale_tolerance":
		return int(recipe.GroupWeigh)
	case "centring_offset":
		return int(recipe.GroupCentre)
	}
	return ungrouped
}

// Value is a number on the wire, and whether it is in force.
type Value struct {
	Raw     int64
	InForce bool
}

// groupsPlace is where the payload tells the groups in force.
func groupsPlace() place {
	fields := handshake.Fields(handshake.PAYLOAD)
	i := slices.IndexFunc(fields, func(f handshake.FieldInfo) bool { return f.Name == groupsField })
	return place{fields[i].Register, fields[i].Kind}
}

// value reads the setpoint from the words of a payload.
func (f *Field) value(words []uint16, groups recipe.Groups) Value {
	v := Value{Raw: f.at.read(words)}
	if f.group == ungrouped {
		v.InForce = v.Raw != 0
	} else {
		v.InForce = groups.Has(recipe.Station(f.group))
	}
	return v
}

// Label is the name of the setpoint for people.
func (f *Field) Label() string { return strings.ReplaceAll(f.Name, "_", " ") }
