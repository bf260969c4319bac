package plc

import (
	"encoding/csv"
	"encoding/xml"
	"os"
	"strconv"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/opcua"
)

const nodeSetFile = "../../configs/controller/lapgate.NodeSet2.xml"

func nodeSetOf(t *testing.T, line string) string {
	t.Helper()
	text, err := NodeSet(Namespace{URI: opcua.NamespaceURI, Line: line, Block: opcua.NodeName})
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestNodeSetHasNotDrifted holds the committed node set, which is that of the
// demonstration's line, to the tables.
func TestNodeSetHasNotDrifted(t *testing.T) {
	got := nodeSetOf(t, "north")
	if *update {
		if err := os.WriteFile(nodeSetFile, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if read(t, nodeSetFile) != got {
		t.Errorf("%s differs from the tables; write it anew with go test ./gateway/plc -update", nodeSetFile)
	}
}

// TestNodeSetTakesAnyLineName: a name with the signs of XML comes back whole.
func TestNodeSetTakesAnyLineName(t *testing.T) {
	for _, line := range []string{"Lapgate", `a<&>"b`, "two words", "a.b"} {
		var set struct {
			Variables []struct {
				ID         string `xml:"NodeId,attr"`
				Dimensions int    `xml:"ArrayDimensions,attr"`
			} `xml:"UAVariable"`
		}
		if err := xml.Unmarshal([]byte(nodeSetOf(t, line)), &set); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		first := set.Variables[0]
		if want := "ns=1;s=" + line + ".Request"; first.ID != want || first.Dimensions != handshake.ReqWords {
			t.Errorf("%q: the first variable is %s of %d words, want %s of %d", line, first.ID, first.Dimensions, want, handshake.ReqWords)
		}
	}
}

// TestEverySetpointIsShown: a setpoint that is added to the payload has a
// variable, and every name in the views is that of a field.
func TestEverySetpointIsShown(t *testing.T) {
	for _, v := range views() {
		names := map[string]bool{}
		for _, d := range v.displays() {
			if names[d.name] {
				t.Errorf("view %s: two variables are named %s", v.name, d.name)
			}
			names[d.name] = true
		}
		want := len(v.shown)
		for _, f := range handshake.Fields(v.block) {
			listed := false
			for _, s := range v.shown {
				listed = listed || s.field == f.Name
			}
			if f.Setpoint != "" && !listed {
				want++
			}
		}
		if len(names) != want {
			t.Errorf("view %s: %d variables, want %d: a listed field does not exist", v.name, len(names), want)
		}
	}
}

func TestUnitNumbersAsPublished(t *testing.T) {
	rows, err := csv.NewReader(strings.NewReader(read(t, "../../testdata/reference/sim_units.csv"))).ReadAll()
	if err != nil || len(rows) < 5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	published := 0
	for _, row := range rows[1:] {
		for _, u := range units() {
			if u.text != row[0] {
				continue
			}
			published++
			if u.code != row[1] || strconv.Itoa(int(u.id())) != row[2] {
				t.Errorf("%s is %s, number %d; %s has %s, %s", u.text, u.code, u.id(), row[3], row[1], row[2])
			}
		}
	}
	if published != len(rows)-1 {
		t.Errorf("%d of %d published units are known", published, len(rows)-1)
	}
	for _, id := range handshake.IDs() {
		for _, f := range handshake.Fields(id) {
			known := f.Unit == ""
			for _, u := range units() {
				known = known || u.field == f.Unit
			}
			if !known {
				t.Errorf("%s %s: the node set knows no unit %q", id, f.Name, f.Unit)
			}
		}
	}
}
