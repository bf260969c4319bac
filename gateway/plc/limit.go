package plc

import (
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
)

// limit is the limit on one setpoint that the program is delivered with, in
// the units of the wire, inclusive. They are wide; the machine's own go in
// their place.
type limit struct {
	field     string // of the payload
	group     int    // bit of its group, always for in force whatever the groups say
	low, high int64
	zero      bool // zero is legal beside the interval: none
}

const always = -1

// The groups by their bit in the payload.
const (
	groupStand = iota
	groupWrap
	groupCrimp
	groupGlue
	groupHeader
	groupWeigh
	groupCentre
	groupDrives
)

// limits lists them in the order of the registers, which is the order in which
// they are checked. Vacuum zones and groups are bits and have none.
func limits() []limit {
	return []limit{
		{"slot", groupStand, 1, 6, false},
		{"wrapper_width", groupStand, 2000, 40000, false},
		{"feed_length", groupWrap, 5000, 700000, false},
		{"feed_counts", groupWrap, 100, 10000000, false},
		{"layers", groupWrap, 100, 1200, false},
		{"overlap", groupWrap, 0, 10000, false},
		{"wrap_speed", groupWrap, 50, 2000, false},
		{"turning_frequency", groupDrives, 100, 9000, false},
		{"feed_frequency", groupDrives, 100, 9000, false},
		{"crimp_turns", groupCrimp, 50, 800, false},
		{"crimp_time", groupCrimp, 50, 15000, false},
		{"crimp_turning_frequency", groupDrives, 100, 9000, false},
		{"crimper_frequency", groupDrives, 100, 9000, true},
		{"crimper_pressure", groupCrimp, 0, 16000, false},
		{"roll_centre", groupCrimp, 500, 20000, true},
		{"crimper_position", groupCrimp, 0, 20000, false},
		{"platen_stroke", groupHeader, 0, 40000, false},
		{"contact_pressure", groupHeader, 0, 5000, false},
		{"header_temperature", groupHeader, 400, 2100, false},
		{"header_dwell", groupHeader, 20, 9000, false},
		{"inner_head", always, 150, 2500, true},
		{"outer_head", always, 150, 2500, true},
		{"glue", groupGlue, 0, 3000, false},
		{"gross_mass", groupWeigh, 100, 200000, false},
		{"tare", groupWeigh, 0, 20000, false},
		{"scale_tolerance", groupWeigh, 1, 2000, false},
		{"centring_offset", groupCentre, -2000, 2000, false},
	}
}

// setpoint finds the field of a limit; the zero value when there is none.
func setpoint(name string) handshake.FieldInfo {
	for _, f := range setpoints() {
		if f.Name == name {
			return f
		}
	}
	return handshake.FieldInfo{}
}

// limitConstants are what the program must know of each limit besides its
// ends.
func limitConstants() []constant {
	all := limits()
	list := func(name, typ string, of func(limit, handshake.FieldInfo) string) constant {
		const perLine = 12
		var out strings.Builder
		out.WriteString("[\n      ")
		for i, l := range all {
			switch {
			case i > 0 && i%perLine == 0:
				out.WriteString(",\n      ")
			case i > 0:
				out.WriteString(", ")
			}
			out.WriteString(of(l, setpoint(l.field)))
		}
		out.WriteString("]")
		return constant{name, fmt.Sprintf("ARRAY [1..%d] OF %s", len(all), typ), out.String()}
	}
	truth := func(b bool) string { return strings.ToUpper(fmt.Sprint(b)) }
	return []constant{
		intConst("LIMIT_COUNT", len(all)),
		list("LIMIT_REGISTER", "INT", func(_ limit, f handshake.FieldInfo) string { return fmt.Sprint(f.Register) }),
		list("LIMIT_GROUP", "INT", func(l limit, _ handshake.FieldInfo) string { return fmt.Sprint(l.group) }),
		list("LIMIT_DOUBLE", "BOOL", func(_ limit, f handshake.FieldInfo) string { return truth(f.Kind == handshake.FormU32) }),
		list("LIMIT_SIGNED", "BOOL", func(_ limit, f handshake.FieldInfo) string { return truth(f.Kind == handshake.FormI16) }),
		list("LIMIT_ZERO", "BOOL", func(l limit, _ handshake.FieldInfo) string { return truth(l.zero) }),
	}
}

// limitList is the start value of one end of the limits, one line each.
func limitList(end func(limit) int64) string {
	all := limits()
	var out strings.Builder
	for i, l := range all {
		number := fmt.Sprint(end(l))
		if i < len(all)-1 {
			number += ","
		}
		text := fieldName(l.field) + ", " + wireUnit(setpoint(l.field))
		if l.zero {
			text += ", or 0 for none"
		}
		fmt.Fprintf(&out, "      %-10s (* %2d: %s *)\n", number, i+1, text)
	}
	return strings.TrimSuffix(out.String(), "\n")
}
