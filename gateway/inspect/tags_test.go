package inspect

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"lapgate/gateway/tags"
)

// The value in the configured order is the one that a person sees at the
// controller.
func TestWordOrdersOfTags(t *testing.T) {
	m := &tags.Mapping{Order: tags.CDAB, Tags: []tags.Tag{
		{Field: "request.diameter", Type: tags.Float32, Address: 10, Bit: -1, Unit: "mm", Scale: 1},
		{Field: "request.width", Type: tags.Float64, Address: 12, Bit: -1, Unit: "mm", Scale: 1},
		{Field: "request.roll_no", Type: tags.Uint32, Address: 16, Bit: -1, Scale: 1},
		{Field: "payload.feed_length", Type: tags.Float32, Address: 18, Bit: -1, Unit: "mm", Scale: 1},
	}}
	bits := []uint64{uint64(math.Float32bits(1234.5)), math.Float64bits(2600), 17, 0}
	var sights []tags.Sight
	for i := range m.Tags {
		p, err := tags.NewPoint(m.Tags[i])
		if err != nil {
			t.Fatal(err)
		}
		sights = append(sights, tags.Sight{Point: p, Value: tags.Value{Bits: bits[i]}})
	}
	report := TagsReport{Orders: ordersOf(m, sights)}
	if len(report.Orders) != 2 || report.Orders[0].CDAB != "1234.5 mm" || report.Orders[1].CDAB != "2600 mm" ||
		report.Orders[0].ABCD == "1234.5 mm" || report.Orders[0].BADC == "" || report.Orders[0].DCBA == "" {
		t.Fatalf("%+v", report.Orders)
	}
	b, err := json.Marshal(LineReport{TagsReport: &report})
	if err != nil || !strings.Contains(string(b), `"word_orders":[{"field":"request.diameter","configured":"CDAB","ABCD":`) {
		t.Errorf("%s, %v", b, err)
	}
	if b, err = json.Marshal(LineReport{}); err != nil || strings.Contains(string(b), "tags") {
		t.Errorf("a controller with blocks has tags: %s, %v", b, err)
	}
	for i := range sights {
		sights[i].Value.Bits = 0
	}
	if items := orderItems(m, sights); len(items) != 1 || items[0].Verdict != Note {
		t.Errorf("with zeros alone: %v", items)
	}
}

// What a server grants is held to what the gateway does with the tag.
func TestAccessOfTags(t *testing.T) {
	for _, c := range []struct {
		field, access string
		verdict       Verdict // none where nothing is wrong
	}{
		{"commit.offer", "read, write", ""},
		{"commit.offer", "read", Warn},
		{"commit.offer", NotTold, ""},
		{"commit.offer", "", ""},
		{"request.phase", "read", ""},
		{"request.phase", "read, write", Note},
	} {
		p, err := tags.NewPoint(tags.Tag{Field: c.field, Type: tags.Uint16, Node: "ns=2;s=x", Address: -1, Bit: -1})
		if err != nil {
			t.Fatal(err)
		}
		items := tagItems(&tags.Sight{Point: p}, &TagReport{Field: c.field, Exists: true, Access: c.access})
		var got Verdict
		if len(items) > 0 {
			got = items[0].Verdict
		}
		if got != c.verdict || len(items) > 1 || len(items) == 1 && items[0].Remedy == "" {
			t.Errorf("%s with %q: %v, want %q", c.field, c.access, items, c.verdict)
		}
	}
}
