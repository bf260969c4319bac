package plc_test

import (
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/tags"

	"lapgate/gateway/plc"
)

func smallMapping() *tags.Mapping {
	return &tags.Mapping{Order: tags.CDAB, TextOrder: tags.BA, Waived: []string{"S1", "S2"}, Tags: []tags.Tag{
		{Field: "payload.feed_length", Type: tags.Float32, Address: 20000, Bit: -1, Unit: "in", Scale: 1},
		{Field: "request.diameter", Type: tags.Float64, Address: 107, Bit: -1, Unit: "mm", Scale: 1},
		{Field: "request.roll_tag", Type: tags.Text, Length: 12, Address: 120, Bit: -1, Scale: 1},
		{Field: "request.flags.bit5", Type: tags.Bool, Address: 200, Bit: 5, Scale: 1},
		{Field: "commit.tick", Type: tags.Uint32, Address: 300, Bit: -1, Unit: "s", Scale: 0.01},
	}}
}

func TestMapTags(t *testing.T) {
	rows, err := plc.MapTags(smallMapping(), tags.Registers)
	if err != nil {
		t.Fatal(err)
	}
	find := func(kind, key string) plc.TagRow {
		i := slices.IndexFunc(rows, func(r plc.TagRow) bool {
			return r.Kind == kind && (r.Field == key || r.Field == "" && r.Guarantee == key)
		})
		if i < 0 {
			t.Fatalf("no %s %s", kind, key)
		}
		return rows[i]
	}
	for _, c := range []struct{ field, register, address, bit, words, typ, order, unit, low, high, fieldHigh string }{
		{"request.diameter", "40108", "107", "", "4", "float64", "GHEFCDAB", "mm", "-1.7976931e+308", "1.7976931e+308", "429496729.5"},
		{"request.roll_tag", "40121", "120", "", "6", "text of 12", "BA", "", "", "", ""},
		{"request.flags.bit5", "40201", "200", "5", "1", "bool", "", "", "0", "1", "1"},
		{"payload.feed_length", "420001", "20000", "", "2", "float32", "CDAB", "in", "-3.4028235e+38", "3.4028235e+38", "16909320.06"},
		{"commit.tick", "40301", "300", "", "2", "uint32", "CDAB", "s", "0", "42949672.95", "42949672.95"},
	} {
		r := find("tag", c.field)
		if (r.Scale == "") != (c.typ == "bool" || c.low == "") {
			t.Errorf("%s has the scale %q", c.field, r.Scale)
		}
		got := []string{r.Register, r.Address, r.Bit, r.Words, r.Type, r.Order, r.Unit, r.Low, r.High, r.FieldHigh}
		want := []string{c.register, c.address, c.bit, c.words, c.typ, c.order, c.unit, c.low, c.high, c.fieldHigh}
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n got %q\nwant %q", c.field, got, want)
		}
	}
	if rows[0].Field != "request.flags.bit5" || find("tag", "payload.feed_length").Direction != "gateway to controller" {
		t.Errorf("the first row is %+v", rows[0])
	}
	if r := find("guarantee", "S1"); r.Given != "no, waived" || !strings.Contains(r.Missing, "request.tick") || strings.Contains(r.Missing, "request.flags.bit5") {
		t.Errorf("S1: %+v", r)
	}
	if r := find("guarantee", "S8"); r.Given != "no" || r.Missing != "request.permissives" {
		t.Errorf("S8: %+v", r)
	}
	if r := find("field without a tag", "request.tick"); r.Guarantee != "S1 S9" || r.StandIn != "the gateway's own clock" {
		t.Errorf("request.tick: %+v", r)
	}
	find("setpoint not delivered", "payload.slot")
	given := 0
	for _, r := range rows {
		if r.Kind == "guarantee" {
			given++
		}
	}
	if given != len(tags.Guarantees()) {
		t.Errorf("%d guarantees", given)
	}
}

func TestMapTagsWritten(t *testing.T) {
	m := smallMapping()
	for i := range m.Tags {
		m.Tags[i].Address, m.Tags[i].Bit, m.Tags[i].Node = -1, -1, "ns=3;s=Line|"+m.Tags[i].Field
	}
	rows, err := plc.MapTags(m, tags.Nodes)
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	if err := plc.TagsMarkdown(&text, "north", rows); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"| field | node | type | scale | unit | lowest | highest | field_lowest | field_highest | meaning |\n",
		`| request.roll_tag | ns=3;s=Line\|request.roll_tag | text of 12 |`, "\n## Guarantees\n", "\n| guarantee | meaning | given | missing | consequence |\n",
		"\n| S8 | nothing is accepted while a permissive is off | no | request.permissives |",
	} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("no %q in\n%s", want, text.String())
		}
	}
}

func TestMapTagsRefuses(t *testing.T) {
	m := smallMapping()
	m.Tags[0].Unit = "s"
	if _, err := plc.MapTags(m, tags.Registers); err == nil || !strings.Contains(err.Error(), "payload.feed_length") {
		t.Errorf("a length in seconds: %v", err)
	}
}
