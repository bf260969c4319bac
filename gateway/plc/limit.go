package plc

import (
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// limit is the limit on one setpoint that the program is delivered with. They
// are wide; the machine's own go in their place.
type limit struct {
	handshake.SetpointField
	group int  // bit of its group, always for in force whatever the groups say
	zero  bool // zero is legal beside the interval: none
}

const always = -1

// limits lists them in the order of the registers, which is the order in which
// they are checked. Bits have none.
func limits() []limit {
	var out []limit
	for _, f := range handshake.SetpointFields() {
		if f.Bits {
			continue
		}
		p := recipe.SetpointOf(f.Setpoint)
		l := limit{f, int(p.Group), p.ZeroIsNone}
		if p.Group == recipe.Ungrouped {
			l.group = always
		}
		out = append(out, l)
	}
	return out
}

// limitConstants are what the program must know of each limit besides its
// ends.
func limitConstants() []constant {
	all := limits()
	list := func(name, typ string, of func(limit) string) constant {
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
			out.WriteString(of(l))
		}
		out.WriteString("]")
		return constant{name, fmt.Sprintf("ARRAY [1..%d] OF %s", len(all), typ), out.String()}
	}
	truth := func(b bool) string { return strings.ToUpper(fmt.Sprint(b)) }
	return []constant{
		intConst("LIMIT_COUNT", len(all)),
		list("LIMIT_REGISTER", "INT", func(l limit) string { return fmt.Sprint(l.Register) }),
		list("LIMIT_GROUP", "INT", func(l limit) string { return fmt.Sprint(l.group) }),
		list("LIMIT_DOUBLE", "BOOL", func(l limit) string { return truth(l.Kind == handshake.FormU32) }),
		list("LIMIT_SIGNED", "BOOL", func(l limit) string { return truth(l.Kind == handshake.FormI16) }),
		list("LIMIT_ZERO", "BOOL", func(l limit) string { return truth(l.zero) }),
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
		text := fieldName(l.Name) + ", " + wireUnit(l.FieldInfo)
		if l.zero {
			text += ", or 0 for none"
		}
		fmt.Fprintf(&out, "      %-10s (* %2d: %s *)\n", number, i+1, text)
	}
	return strings.TrimSuffix(out.String(), "\n")
}
