package tags

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
)

// Problem is one thing that is wrong with a mapping.
type Problem struct {
	Index  int    // of the tag, -1 for the mapping as a whole
	Key    string // of the tag or of the mapping, as in a configuration
	Text   string
	Got    string
	Want   string
	Remedy string
}

// UnknownField is the text of the problem of a tag whose field does not exist.
const UnknownField = "unknown field"

// Transport is how the tags are reached.
type Transport uint8

// The transports.
const (
	Registers Transport = iota // Modbus holding registers
	Nodes                      // OPC UA nodes
)

const (
	lastRegister = 65535
	mostLetters  = 64
)

// Required lists the fields without which a roll cannot be told or a recipe not
// be delivered; they cannot be waived.
func Required() []string {
	return []string{
		"request.phase", "request.req_id", "request.roll_no", "request.diameter", "request.width",
		"payload.kind", "commit.offer",
	}
}

// Check returns everything that is wrong with a mapping, in the order of its
// tags, then of the whole.
func (m *Mapping) Check(over Transport) []Problem {
	var bad []Problem
	seen := map[string]int{}
	sound := make([]bool, len(m.Tags))
	for i := range m.Tags {
		t := &m.Tags[i]
		f, ok := Find(t.Field)
		if !ok {
			bad = append(bad, Problem{i, "field", UnknownField, strconv.Quote(t.Field), "block.field, as in request.roll_no", "lapgate tags fields lists them"})
			continue
		}
		if first, twice := seen[t.Field]; twice {
			bad = append(bad, Problem{i, "field", "field mapped twice", strconv.Quote(t.Field) + ", also tag " + strconv.Itoa(first), "each field once", "remove one of the tags"})
			continue
		}
		seen[t.Field] = i
		problems := checkTag(t, &f)
		problems = append(problems, checkPlace(t, over)...)
		sound[i] = len(problems) == 0
		for _, p := range problems {
			p.Index = i
			bad = append(bad, p)
		}
	}
	bad = append(bad, m.wholeAndParts()...)
	bad = append(bad, m.checkOverlaps(over, sound)...)
	if over == Registers {
		bad = append(bad, m.checkOrders()...)
	}
	bad = append(bad, m.checkRequired()...)
	return append(bad, m.checkGuarantees()...)
}

// checkTag checks type, scale and unit against the field.
func checkTag(t *Tag, f *Field) []Problem {
	var bad []Problem
	add := func(key, text, got, want, remedy string) {
		bad = append(bad, Problem{-1, key, text, got, want, remedy})
	}
	if !slices.Contains(Types(), t.Type) {
		add("type", "unknown type", strconv.Quote(string(t.Type)), "a type", "write the type of the tag in the controller")
		return bad
	}
	switch {
	case f.Form == Letters && t.Type != Text:
		add("type", "type not for a text", string(t.Type), string(Text), "write type: text and its length")
	case f.Form != Letters && t.Type == Text:
		add("type", "text for a number", string(t.Type), "a numeric type", "write the type of the tag in the controller")
	case f.Form == Number && t.Type == Bool, f.Form == Bits && t.Type == Bool:
		add("type", "one bit for a number", string(t.Type), "a numeric type", "map one bit with the name of the bit, as in request.flags.bit5")
	case (f.Form == Bits || f.Form == OneBit) && t.Type.Float():
		add("type", "floating-point type for bits", string(t.Type), "a whole-number type, or bool for one bit", "write the type of the tag in the controller")
	}
	if len(bad) > 0 {
		return bad
	}
	if t.Type == Text && (t.Length < 1 || t.Length > mostLetters) {
		add("length", "length of a text missing or out of range", strconv.Itoa(t.Length), "1.."+strconv.Itoa(mostLetters)+" characters", "write how many characters the tag has room for")
	}
	if t.Type != Text && t.Length != 0 {
		add("length", "length of what is no text", strconv.Itoa(t.Length), "none", "remove it, or write type: text")
	}
	units := f.Units()
	switch {
	case units == nil && t.Unit != "":
		add("unit", "unit on a plain number", strconv.Quote(t.Unit), "no unit", "remove it")
	case units != nil && t.Unit == "":
		add("unit", "unit missing", "nothing", "one of "+strings.Join(units, ", "), "write the unit that the controller has the number in")
	case units != nil && !slices.Contains(units, t.Unit):
		add("unit", "unit of another kind", strconv.Quote(t.Unit), "one of "+strings.Join(units, ", "), "write the unit that the controller has the number in")
	}
	scale := t.Scale
	if scale == 0 {
		scale = 1
	}
	switch {
	case !(scale > 0) || math.IsInf(scale, 0):
		add("scale", "scale not positive", fmt.Sprint(t.Scale), "a positive number", "write the number of units of one step")
	case scale != 1 && (f.counts() || f.Form != Number):
		add("scale", "scale on what is no quantity", fmt.Sprint(t.Scale), "no scale", "remove it")
	case len(bad) == 0 && f.Form == Number && !t.Type.Float() && scale > coarsest(f, t)*(1+1e-9):
		add("scale", "step coarser than the handshake's, so that values would be rounded",
			fmt.Sprintf("%v%s", scale, spaced(t.Unit)), fmt.Sprintf("%.6g%s at most", coarsest(f, t), spaced(t.Unit)), "give the tag a finer step or a floating-point type in the controller")
	}
	if named(f) && !holds32(t.Type) {
		add("type", "type too narrow for a number of 32 bits that is drawn or computed", string(t.Type), "uint32, int64, uint64 or float64", "widen the tag in the controller, or leave it out")
	}
	return bad
}

// coarsest is the field's own step in the unit of the tag.
func coarsest(f *Field, t *Tag) float64 {
	step := 1 / f.steps()
	if f.Info.Unit != t.Unit && f.Info.Unit != "" {
		factor, _ := conversion(f.Info.Unit, t.Unit)
		step *= factor
	}
	return step
}

// named reports whether the field names something by a number that is drawn,
// hashed or taken from a clock: such a number may need all of its 32 bits at any
// time, where a counter stays small for years.
func named(f *Field) bool {
	if !handshake.GatewayOwned(f.Block) {
		return false
	}
	switch f.Info.Name {
	case "nonce", "payload_crc", "config_hash", "tick", "boot_id":
		return true
	}
	return false
}

func holds32(t Type) bool {
	switch t {
	case Uint32, Int64, Uint64, Float64:
		return true
	}
	return false
}

func checkPlace(t *Tag, over Transport) []Problem {
	var bad []Problem
	add := func(key, text, got, want, remedy string) {
		bad = append(bad, Problem{-1, key, text, got, want, remedy})
	}
	if over == Nodes {
		if t.Node == "" {
			add("node", "node missing", "nothing", "a node identifier, as in ns=3;s=Line.Roll", "paste it from the controller's address space")
		}
		if t.Address >= 0 {
			add("address", "register on a link of nodes", strconv.Itoa(t.Address), "a node", "write node: and its identifier")
		}
		if t.Bit >= 0 {
			add("bit", "bit of a node", strconv.Itoa(t.Bit), "a Boolean node", "map a Boolean node of its own, or the whole set of bits")
		}
		return bad
	}
	if t.Node != "" {
		add("node", "node on a link of registers", strconv.Quote(t.Node), "a register or an address", "write register: or address:")
	}
	switch last := t.Address + t.Registers() - 1; {
	case t.Address < 0:
		add("register", "address notation missing", "nothing", "register: 40001 and up, or address: 0 and up", "write register: for a register number as the manual prints it, or address: for one counted from zero")
	case last > lastRegister:
		add("register", "tag reaches beyond the last register", fmt.Sprintf("%d..%d", t.Address, last), fmt.Sprintf("an end of %d at most", lastRegister), "lower the address")
	}
	switch {
	case t.Type == Bool && (t.Bit < 0 || t.Bit > 15):
		add("bit", "bit missing or out of range", bitText(t.Bit), "0..15, 0 the least significant", "write which bit of the register it is")
	case t.Type != Bool && t.Bit >= 0:
		add("bit", "bit of what is no bool", bitText(t.Bit), "type bool", "remove it, or write type: bool")
	}
	return bad
}

func bitText(bit int) string {
	if bit < 0 {
		return "nothing"
	}
	return strconv.Itoa(bit)
}

// wholeAndParts finds bits that are mapped beside the whole that they are of.
func (m *Mapping) wholeAndParts() []Problem {
	var bad []Problem
	for i, t := range m.Tags {
		at := strings.LastIndex(t.Field, ".bit")
		if at < 0 {
			continue
		}
		if j, both := m.Of(t.Field[:at]); both {
			bad = append(bad, Problem{i, "field", "bit mapped beside its whole", strconv.Quote(t.Field) + ", also tag " + strconv.Itoa(j), "the whole or its bits", "remove one of them"})
		}
	}
	return bad
}

// checkOverlaps finds tags that share a register, but for single bits of one
// side, and nodes that stand twice.
func (m *Mapping) checkOverlaps(over Transport, sound []bool) []Problem {
	var bad []Problem
	for i := range m.Tags {
		for j := range i {
			a, b := &m.Tags[i], &m.Tags[j]
			if !sound[i] || !sound[j] {
				continue
			}
			if over == Nodes {
				if a.Node == b.Node {
					bad = append(bad, Problem{i, "node", "node used twice", strconv.Quote(a.Node) + ", also tag " + strconv.Itoa(j) + " (" + b.Field + ")", "each node once", "give one of them another node"})
				}
				continue
			}
			if a.Address >= b.Address+b.Registers() || b.Address >= a.Address+a.Registers() {
				continue
			}
			if a.Type == Bool && b.Type == Bool && a.Bit != b.Bit && ours(a) == ours(b) {
				continue
			}
			remedy := "move one of them"
			if a.Type == Bool && b.Type == Bool && a.Bit != b.Bit {
				remedy = "a register is written whole, so keep bits of the gateway and of the controller apart"
			}
			bad = append(bad, Problem{i, "register", "tags overlap", a.extent() + " of " + a.Field,
				"registers apart from " + b.extent() + " of " + b.Field, remedy})
			break
		}
	}
	return bad
}

func ours(t *Tag) bool {
	f, _ := Find(t.Field) // only of tags that are sound
	return handshake.GatewayOwned(f.Block)
}

func (t *Tag) extent() string {
	if t.Type == Bool {
		return fmt.Sprintf("address %d bit %d", t.Address, t.Bit)
	}
	if n := t.Registers(); n > 1 {
		return fmt.Sprintf("addresses %d..%d", t.Address, t.Address+n-1)
	}
	return fmt.Sprintf("address %d", t.Address)
}

func (m *Mapping) checkOrders() []Problem {
	var bad []Problem
	wide := slices.IndexFunc(m.Tags, func(t Tag) bool { return t.Type.Bits() > 16 })
	if wide >= 0 && m.Order == "" {
		bad = append(bad, Problem{-1, "word_order", "word order missing", "nothing", "ABCD, CDAB, BADC or DCBA, for " + string(m.Tags[wide].Type) + " of " + m.Tags[wide].Field,
			"read a known value of the controller and write the order that gives it"})
	}
	letters := slices.IndexFunc(m.Tags, func(t Tag) bool { return t.Type == Text && t.Length > 1 })
	if letters >= 0 && m.TextOrder == "" {
		bad = append(bad, Problem{-1, "text_order", "order of characters missing", "nothing", "AB or BA, for " + m.Tags[letters].Field,
			"write AB where the high byte of a register holds the first character, else BA"})
	}
	return bad
}

func (m *Mapping) checkRequired() []Problem {
	var missing []string
	for _, name := range Required() {
		if _, ok := m.Of(name); !ok {
			missing = append(missing, name)
		}
	}
	var bad []Problem
	if len(missing) > 0 {
		bad = append(bad, Problem{-1, "tags", "fields without which no roll can be served", "no tag for " + strings.Join(missing, ", "), "a tag for each", "add the tags"})
	}
	if !slices.ContainsFunc(m.Tags, func(t Tag) bool {
		f, ok := Find(t.Field)
		return ok && f.Block == handshake.PAYLOAD && f.Info.Register >= handshake.FirstSetpoint
	}) {
		bad = append(bad, Problem{-1, "tags", "no setpoint is delivered", "no tag for a setpoint of the payload", "one at least, as payload.feed_length", "add the setpoints that the controller takes"})
	}
	for _, pair := range [][2]string{
		{"request.result_verdict", "request.result_offer"}, {"request.result_offer", "request.result_verdict"},
		{"request.gen_head", "request.gen_tail"}, {"request.gen_tail", "request.gen_head"},
		{"outcome.out_idx", "outcome.roll_no"}, {"outcome.out_idx", "outcome.outcome"},
		{"outcome.out_idx", "ack.up_to"},
	} {
		i, have := m.Of(pair[0])
		if _, other := m.Of(pair[1]); have && !other {
			bad = append(bad, Problem{i, "field", "field of no use alone", pair[0], "a tag for " + pair[1] + " too", "add it, or remove this one"})
		}
	}
	return bad
}

// Unsent lists the setpoints that have no tag, which the controller will not
// get.
func (m *Mapping) Unsent() []string {
	var out []string
	for _, f := range Fields() {
		if f.Block != handshake.PAYLOAD || f.Info.Register < handshake.FirstSetpoint || f.Form == OneBit {
			continue
		}
		if !m.has(f.Name) {
			out = append(out, strings.TrimPrefix(f.Name, "payload."))
		}
	}
	return out
}

// has reports whether a field, or an element or bit of it, has a tag.
func (m *Mapping) has(name string) bool {
	return slices.ContainsFunc(m.Tags, func(t Tag) bool {
		return t.Field == name || strings.HasPrefix(t.Field, name+".")
	})
}

// HoldingRegisters are the numbers that manuals print for holding registers.
const HoldingRegisters = "40001..49999 or 400001..465536"

// RegisterError is a number that no holding register has.
type RegisterError struct {
	Number int
	Remedy string // what else the number may be; nothing is guessed
}

func (e *RegisterError) Error() string {
	return fmt.Sprintf("register %d is no number of a holding register, want %s; %s", e.Number, HoldingRegisters, e.Remedy)
}

// ParseRegister turns a register number as manuals print it into a zero-based
// address. The error is a *RegisterError.
func ParseRegister(n int) (int, error) {
	switch {
	case n >= 40001 && n <= 49999:
		return n - 40001, nil
	case n >= 400001 && n <= 465536:
		return n - 400001, nil
	case n >= 30001 && n <= 39999, n >= 300001 && n <= 365536:
		return 0, &RegisterError{n, "it is the number of an input register, and tags are holding registers"}
	}
	return 0, &RegisterError{n, "if it counts from zero, write address: " + strconv.Itoa(n)}
}

// RegisterNumber is the register number of a zero-based address, of five
// figures where they suffice.
func RegisterNumber(address int) int {
	if address < 9999 {
		return 40001 + address
	}
	return 400001 + address
}
