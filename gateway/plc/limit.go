package plc

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// limit is what the program knows of the limit on one field of the payload. Its
// ends are the machine's and are entered there.
type limit struct {
	handshake.FieldInfo
	group   int   // bit of its group, always for in force whatever the groups say
	zero    bool  // zero is legal beside the interval: none
	ceiling int64 // number of the field that no limit can raise
}

const always = -1

// groupsField is the field of the groups in force. It has a limit too: bits of
// equipment that the line does not have are refused.
const groupsField = "groups"

// limits lists them in the order of the registers, which is the order in which
// they are checked.
func limits() []limit {
	var out []limit
	for _, f := range handshake.SetpointFields() {
		p := recipe.SetpointOf(f.Setpoint)
		l := limit{f.FieldInfo, int(p.Group), p.ZeroIsNone, math.MaxInt32}
		if p.Group == recipe.Ungrouped {
			l.group = always
		}
		if f.Unit == "°C" {
			l.ceiling, _ = f.Nearest(recipe.HottestPlaten)
		}
		out = append(out, l)
	}
	for _, f := range handshake.Fields(handshake.PAYLOAD) {
		if f.Name == groupsField {
			out = append(out, limit{f, always, false, math.MaxInt32})
		}
	}
	slices.SortFunc(out, func(a, b limit) int { return a.Register - b.Register })
	return out
}

// lastSetpoint is the register of the last field with a limit.
func lastSetpoint() int {
	all := limits()
	return all[len(all)-1].Register
}

// limitConstants are what the program must know of each limit besides its
// ends.
func limitConstants() []constant {
	all := limits()
	list := func(name, typ string, of func(limit) string) constant {
		texts := make([]string, len(all))
		for i, l := range all {
			texts[i] = of(l)
		}
		return array(name, typ, 1, texts)
	}
	truth := func(b bool) string { return strings.ToUpper(fmt.Sprint(b)) }
	return []constant{
		index("LIMIT_COUNT", len(all)),
		list("LIMIT_REGISTER", "INT", func(l limit) string { return fmt.Sprint(l.Register) }),
		list("LIMIT_GROUP", "DINT", func(l limit) string { return fmt.Sprint(1 << max(l.group, 0)) }),
		list("LIMIT_ALWAYS", "BOOL", func(l limit) string { return truth(l.group == always) }),
		list("LIMIT_DOUBLE", "BOOL", func(l limit) string { return truth(l.Kind == handshake.FormU32) }),
		list("LIMIT_SIGNED", "BOOL", func(l limit) string { return truth(l.Kind == handshake.FormI16) }),
		list("LIMIT_BITS", "BOOL", func(l limit) string { return truth(l.Bits) }),
		list("LIMIT_ZERO", "BOOL", func(l limit) string { return truth(l.zero) }),
		list("LIMIT_CEILING", "DINT", func(l limit) string { return fmt.Sprint(l.ceiling) }),
	}
}

// limitList is one end of the limits as delivered, one line each: a number that
// is to be entered.
func limitList(number int) string {
	all := limits()
	var out strings.Builder
	for i, l := range all {
		text := fmt.Sprint(number)
		if i < len(all)-1 {
			text += ","
		}
		what := fmt.Sprintf("%d %s, %s", l.Register, fieldName(l.Name), wireUnit(l.FieldInfo))
		switch {
		case l.Bits:
			what += ": 0, and all bits that exist"
		case l.zero:
			what += ", or 0 for none"
		}
		if l.ceiling < math.MaxInt32 {
			what += fmt.Sprintf("; never above %d", l.ceiling)
		}
		fmt.Fprintf(&out, "      %-3s (* ENTER %s *)\n", text, what)
	}
	return strings.TrimSuffix(out.String(), "\n")
}
