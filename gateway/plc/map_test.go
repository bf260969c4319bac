package plc_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handshake"

	"lapgate/gateway/plc"
)

// standard are the bases of the protocol's description.
func standard(entries int) plc.Places {
	base := map[handshake.ID]int{
		handshake.REQ: 1000, handshake.OUT: 1200, handshake.HEARTBEAT: 4000, handshake.HELLO: 4010, handshake.PAYLOAD: 4030, handshake.COMMIT: 4120, handshake.ACK: 4140,
	}
	return plc.Places{Entries: entries, Address: func(id handshake.ID, entry int) int { return base[id] + entry*handshake.OutWords }}
}

func find(t *testing.T, rows []plc.Row, blockName, entry, field string) plc.Row {
	t.Helper()
	for _, r := range rows {
		if r.Block == blockName && r.Entry == entry && r.Field == field {
			return r
		}
	}
	t.Fatalf("no row for %s %s of entry %q", blockName, field, entry)
	return plc.Row{}
}

// TestMapRows compares rows with the description of the protocol, section 4.
func TestMapRows(t *testing.T) {
	rows := plc.Map(standard(handshake.OutEntries))
	for _, tt := range []struct{ block, entry, field, register, address, words, typ, order, scale, unit, low, high string }{
		{"REQ", "", "type", "401001", "1000", "1", "unsigned 16 bit", "", "1", "", "0", "65535"},
		{"REQ", "", "diameter", "401031", "1030", "2", "unsigned 32 bit", "high word first", "0.1", "mm", "0.0", "429496729.5"},
		{"REQ", "", "roll_tag", "401023", "1022", "8", "ASCII text of 16", "first character in the high byte, zero padded", "", "", "", ""},
		{"REQ", "", "diameter_samples", "401064", "1063", "12", "12 × unsigned 16 bit", "element by element", "0.1", "mm", "0.0", "6553.5"},
		{"OUT", "0", "out_idx", "401203", "1202", "2", "unsigned 32 bit", "high word first", "1", "", "0", "4294967295"},
		{"OUT", "63", "crc", "403759", "3758", "2", "unsigned 32 bit", "high word first", "1", "", "0", "4294967295"},
		{"PAYLOAD", "", "centring_offset", "404096", "4095", "1", "signed 16 bit", "", "0.1", "mm", "-3276.8", "3276.7"},
		{"PAYLOAD", "", "header_temperature", "404084", "4083", "1", "unsigned 16 bit", "", "0.1", "°C", "0.0", "6553.5"},
		{"COMMIT", "", "tick", "404131", "4130", "2", "unsigned 32 bit", "high word first", "0.01", "s", "0.00", "42949672.95"},
	} {
		r := find(t, rows, tt.block, tt.entry, tt.field)
		got := []string{r.Register, r.Address, r.Words, r.Type, r.Order, r.Scale, r.Unit, r.Low, r.High}
		want := []string{tt.register, tt.address, tt.words, tt.typ, tt.order, tt.scale, tt.unit, tt.low, tt.high}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s %s:\n got %q\nwant %q", tt.block, tt.field, got, want)
		}
	}
}

// TestMapCoversEveryRegisterOnce adds up the words of all rows.
func TestMapCoversEveryRegisterOnce(t *testing.T) {
	owner := map[int]string{}
	for _, r := range plc.Map(standard(handshake.OutEntries)) {
		address, err := strconv.Atoi(r.Address)
		if err != nil {
			t.Fatal(err)
		}
		number, err := strconv.Atoi(r.Register)
		if err != nil || number != address+400001 {
			t.Errorf("%s %s: register %s, address %s", r.Block, r.Field, r.Register, r.Address)
		}
		words, err := strconv.Atoi(r.Words)
		if err != nil {
			t.Fatal(err)
		}
		for i := address; i < address+words; i++ {
			if owner[i] != "" {
				t.Errorf("address %d belongs to %s and to %s %s", i, owner[i], r.Block, r.Field)
			}
			owner[i] = r.Block + " " + r.Field
		}
		if want := string(handshake.ToGateway); (r.Block == "REQ" || r.Block == "OUT" || r.Block == "LIMITS") != (r.Direction == want) {
			t.Errorf("%s %s is written %s", r.Block, r.Field, r.Direction)
		}
	}
	if len(owner) < 96+64*38 {
		t.Errorf("only %d registers are mapped", len(owner))
	}
}

func TestMapOfNodes(t *testing.T) {
	rows := plc.Map(plc.Places{Node: func(id handshake.ID, entry int) string { return fmt.Sprintf("%s/%d", id, entry) }})
	r := find(t, rows, "PAYLOAD", "", "slot")
	if r.Node != "PAYLOAD/0" || r.Element != "33" || r.Register != "" || r.Address != "" {
		t.Errorf("%+v", r)
	}
	var text strings.Builder
	if err := plc.Markdown(&text, "north", rows); err != nil {
		t.Fatal(err)
	}
	head := "| field | node | element | words | type | order | scale | unit | lowest | highest | setpoint | meaning |\n"
	if !strings.Contains(text.String(), head) || strings.Contains(text.String(), "register |") {
		t.Errorf("the columns of nodes are not those wanted:\n%.400s", text.String())
	}
	if n := strings.Count(text.String(), head); n != len(handshake.IDs()) {
		t.Errorf("%d tables for %d blocks", n, len(handshake.IDs()))
	}
}
