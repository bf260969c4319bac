package plc

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/tags"
)

// The kinds of rows of a map of tags.
const (
	kindTag       = "tag"
	kindNoTag     = "field without a tag"
	kindUnsent    = "setpoint not delivered"
	kindGuarantee = "guarantee"
)

// TagRow is one row of a map of tags: a tag; a field on which something rests
// and that has no tag; a setpoint that the controller does not get; or one of
// the guarantees S1 to S10 and whether the tags give it.
type TagRow struct {
	Kind     string `json:"kind"`
	Block    string `json:"block" print:"drop=6"`
	Field    string `json:"field"`
	Register string `json:"register"`               // as manuals print it, 40001 and up
	Address  string `json:"address" print:"drop=3"` // the same register, counted from zero as on the wire
	Bit      string `json:"bit"`                    // of the register, 0 the least significant
	Node     string `json:"node"`
	Words    string `json:"words" print:"drop=5"`
	Type     string `json:"type"`
	Order    string `json:"order" print:"drop=5"`
	Scale    string `json:"scale"` // number in Unit = number in the controller × Scale
	Unit     string `json:"unit"`
	Low      string `json:"lowest" print:"drop=8"` // of the type, in Unit
	High     string `json:"highest" print:"drop=8"`
	// FieldLow and FieldHigh are what the field of the handshake holds, in
	// Unit; a value outside is refused.
	FieldLow    string `json:"field_lowest" print:"drop=9"`
	FieldHigh   string `json:"field_highest" print:"drop=9"`
	Direction   string `json:"direction" print:"drop=8"`
	Meaning     string `json:"meaning" print:"drop=7"`
	Guarantee   string `json:"guarantee"`                  // S1 to S10
	Given       string `json:"given"`                      // yes; no, waived; no
	Missing     string `json:"missing" print:"drop=2"`     // fields without a tag on which it rests
	Consequence string `json:"consequence" print:"drop=4"` // of each of them
	StandIn     string `json:"stand_in" print:"drop=4"`    // what the gateway takes instead
}

// MapTags lists the tags of a mapping in the order of the blocks, then what the
// mapping lacks, then every guarantee. The error names a tag that does not pass
// its check.
func MapTags(m *tags.Mapping, over tags.Transport) ([]TagRow, error) {
	var rows []TagRow
	for _, f := range tags.Fields() {
		i, ok := m.Of(f.Name)
		if !ok {
			continue
		}
		p, err := tags.NewPoint(m.Tags[i])
		if err != nil {
			return nil, err
		}
		rows = append(rows, tagRow(m, &p, over))
	}
	for _, r := range m.Missing() {
		f, ok := tags.Find(r.Field)
		if !ok {
			return nil, fmt.Errorf("field %s: no such field", r.Field)
		}
		rows = append(rows, TagRow{
			Kind: kindNoTag, Block: f.Block.String(), Field: f.Name, Direction: string(f.Info.Direction), Meaning: f.Info.Doc,
			Guarantee: strings.Join(r.Breaks, " "), Consequence: r.Why, StandIn: r.StandIn,
		})
	}
	for _, name := range m.Unsent() {
		f, ok := tags.Find("payload." + name)
		if !ok {
			return nil, fmt.Errorf("field payload.%s: no such field", name)
		}
		rows = append(rows, TagRow{Kind: kindUnsent, Block: f.Block.String(), Field: f.Name, Unit: f.Info.Unit,
			Direction: string(f.Info.Direction), Meaning: f.Info.Doc, Consequence: "the controller does not get it"})
	}
	losses := m.Losses()
	for _, g := range tags.Guarantees() {
		r := TagRow{Kind: kindGuarantee, Guarantee: g.Name, Meaning: g.Text, Given: "yes"}
		if i := slices.IndexFunc(losses, func(l tags.Loss) bool { return l.Guarantee == g }); i >= 0 {
			r.Given = "no"
			if slices.Contains(m.Waived, g.Name) {
				r.Given = "no, waived"
			}
			r.Missing = strings.Join(losses[i].Missing, "; ")
			r.Consequence = strings.Join(losses[i].Why, "; ")
		}
		rows = append(rows, r)
	}
	return rows, nil
}

func tagRow(m *tags.Mapping, p *tags.Point, over tags.Transport) TagRow {
	t := &p.Tag
	r := TagRow{
		Kind: kindTag, Block: p.Field.Block.String(), Field: p.Field.Name, Type: string(t.Type),
		Unit: t.Unit, Direction: string(p.Field.Info.Direction), Meaning: p.Field.Info.Doc,
	}
	if over == tags.Nodes {
		r.Node = t.Node
	} else {
		r.Register, r.Address = strconv.Itoa(tags.RegisterNumber(t.Address)), strconv.Itoa(t.Address)
		r.Words, r.Order = strconv.Itoa(t.Registers()), m.Order.Written(t.Type)
		if t.Bit >= 0 {
			r.Bit = strconv.Itoa(t.Bit)
		}
	}
	if t.Type == tags.Text {
		r.Type = fmt.Sprintf("text of %d", t.Length)
		if over == tags.Registers {
			r.Order = string(m.TextOrder)
		}
		return r
	}
	if t.Type != tags.Bool {
		r.Scale = strconv.FormatFloat(t.Scale, 'g', -1, 64)
	}
	r.Low, r.High, _ = t.Range()
	r.FieldLow, r.FieldHigh, _ = p.Bounds()
	return r
}

// TagsMarkdown writes a map of tags with a table for each block, and one for
// each kind of what is lacking.
func TagsMarkdown(w io.Writer, line string, rows []TagRow) error {
	var out strings.Builder
	fmt.Fprintf(&out, "# Map of line %s, profile mapped\n\n", line)
	out.WriteString("A register is numbered as manuals print it, from 40001 or 400001; its address counts\n" +
		"from zero, as it goes over the wire. The letters of an order are the bytes of a number,\n" +
		"A the most significant, as they stand in the registers; of a text, its characters. A\n" +
		"number in its unit is the number in the controller times the scale. Lowest and highest\n" +
		"are those of the type; what is outside the field's is refused.\n\n" +
		"This map is no part of a safety function. Guards, emergency stops and temperature\n" +
		"cut-outs never depend on these values.\n")
	kinds := map[string][]TagRow{}
	for _, r := range rows {
		kinds[r.Kind] = append(kinds[r.Kind], r)
	}
	tags := kinds[kindTag]
	used := usedColumns(tags, "kind", "block", "direction")
	for i := range tags {
		if r := &tags[i]; i == 0 || r.Block != tags[i-1].Block {
			fmt.Fprintf(&out, "\n## %s, %s\n\n", r.Block, r.Direction)
			writeHead(&out, used)
		}
		writeRow(&out, used, tags[i])
	}
	for _, s := range []struct{ kind, title, text string }{
		{kindNoTag, "Fields without a tag", "What cannot be seen without each, the guarantees that rest on it, and what the gateway\ntakes instead.\n\n"},
		{kindUnsent, "Setpoints not delivered", ""},
		{kindGuarantee, "Guarantees", "Given means that the tags carry what the guarantee rests on; the controller's program has\nto keep its side. What is not given is waived by name in the configuration.\n\n"},
	} {
		some := kinds[s.kind]
		if len(some) == 0 {
			continue
		}
		fmt.Fprintf(&out, "\n## %s\n\n%s", s.title, s.text)
		cols := usedColumns(some, "kind", "block", "direction")
		if s.kind == kindGuarantee { // its name first
			slices.SortStableFunc(cols, func(a, b column) int { return rank(a.name) - rank(b.name) })
		}
		writeHead(&out, cols)
		for i := range some {
			writeRow(&out, cols, some[i])
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func rank(name string) int {
	if name == "guarantee" {
		return 0
	}
	return 1
}
