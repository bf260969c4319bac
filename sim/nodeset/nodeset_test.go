package nodeset

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
)

// The line of the demonstration, for which the committed file is.
const demoLine = "north"

// TestSpaceIsTheCommittedOne holds the nodes that the simulator serves to those
// of the file beside the description, which the gateway prints from a table of
// its own. What the descriptions of the nodes say may differ.
func TestSpaceIsTheCommittedOne(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "configs", "controller", "lapgate.NodeSet2.xml"))
	if err != nil {
		t.Fatal(err)
	}
	committed, byID := parse(t, text)
	served, servedByID := parse(t, XML(demoLine))
	if !reflect.DeepEqual(served.URIs, committed.URIs) || !reflect.DeepEqual(served.Models, committed.Models) ||
		!reflect.DeepEqual(served.Aliases, committed.Aliases) {
		t.Errorf("served are %v %v %v, committed %v %v %v",
			served.URIs, served.Models, served.Aliases, committed.URIs, committed.Models, committed.Aliases)
	}
	for i := range served.Nodes {
		n := &served.Nodes[i]
		if want := byID[n.ID]; want == nil || !reflect.DeepEqual(n, want) {
			t.Errorf("node %s is served as %+v, committed is %+v", n.ID, n, want)
		}
	}
	for i := range committed.Nodes {
		if id := committed.Nodes[i].ID; servedByID[id] == nil {
			t.Errorf("node %s is committed and not served", id)
		}
	}
	if again := XML(demoLine); !bytes.Equal(again, XML(demoLine)) {
		t.Error("the same line gave other bytes")
	}
}

type reference struct {
	Type      string `xml:"ReferenceType,attr"`
	IsForward string `xml:"IsForward,attr"`
	Target    string `xml:",chardata"`
}

type node struct {
	XMLName    xml.Name
	ID         string      `xml:"NodeId,attr"`
	Browse     string      `xml:"BrowseName,attr"`
	Parent     string      `xml:"ParentNodeId,attr"`
	DataType   string      `xml:"DataType,attr"`
	Rank       string      `xml:"ValueRank,attr"`
	Dimensions string      `xml:"ArrayDimensions,attr"`
	Access     string      `xml:"AccessLevel,attr"`
	References []reference `xml:"References>Reference"`
	Unit       *struct {
		Namespace string `xml:"NamespaceUri"`
		ID        int32  `xml:"UnitId"`
		Text      string `xml:"DisplayName>Text"`
	} `xml:"Value>ExtensionObject>Body>EUInformation"`
}

type set struct {
	URIs   []string `xml:"NamespaceUris>Uri"`
	Models []struct {
		URI       string `xml:"ModelUri,attr"`
		Version   string `xml:"Version,attr"`
		Published string `xml:"PublicationDate,attr"`
		Required  []struct {
			URI       string `xml:"ModelUri,attr"`
			Version   string `xml:"Version,attr"`
			Published string `xml:"PublicationDate,attr"`
		} `xml:"RequiredModel"`
	} `xml:"Models>Model"`
	Aliases []struct {
		Name string `xml:"Alias,attr"`
		ID   string `xml:",chardata"`
	} `xml:"Aliases>Alias"`
	Nodes []node `xml:",any"`
}

func parse(t *testing.T, text []byte) (s set, byID map[string]*node) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(text))
	d.Strict = true
	if err := d.Decode(&s); err != nil {
		t.Fatal(err)
	}
	byID = map[string]*node{}
	kept := s.Nodes[:0]
	for _, n := range s.Nodes {
		if strings.HasPrefix(n.XMLName.Local, "UA") {
			kept = append(kept, n)
		}
	}
	s.Nodes = kept
	for i := range s.Nodes {
		n := &s.Nodes[i]
		if byID[n.ID] != nil {
			t.Errorf("two nodes have the identifier %s", n.ID)
		}
		byID[n.ID] = n
	}
	return s, byID
}

// Every reference must lead somewhere, every node hang below another, every
// name stand in the list of aliases.
func TestSpaceHangsTogether(t *testing.T) {
	for _, line := range []string{demoLine, "Lapgate", `a<&>"b`, "two words"} {
		s, byID := parse(t, XML(line))
		if len(s.URIs) != 1 || s.URIs[0] != URI {
			t.Errorf("namespaces %v, want %s alone", s.URIs, URI)
		}
		alias := map[string]bool{}
		for _, a := range s.Aliases {
			alias[a.Name] = true
		}
		var blocks, displays, folders, units int
		for i := range s.Nodes {
			n := &s.Nodes[i]
			var typed, hung bool
			for _, r := range n.References {
				if !alias[r.Type] {
					t.Errorf("%s: no alias %s", n.ID, r.Type)
				}
				if strings.HasPrefix(r.Target, "ns=1;") && byID[r.Target] == nil {
					t.Errorf("%s refers to %s, which is not there", n.ID, r.Target)
				}
				typed = typed || r.Type == "HasTypeDefinition"
				hung = hung || r.IsForward == "false" && r.Target == n.Parent
			}
			if !typed || !hung {
				t.Errorf("%s: typed %t, below its parent %t", n.ID, typed, hung)
			}
			switch {
			case n.XMLName.Local == "UAObject":
				folders++
			case n.Unit != nil:
				units++
			case n.DataType == "UInt16" && n.Rank == "1":
				blocks++
			default:
				displays++
				if n.Access != "1" || n.Rank != "" {
					t.Errorf("%s: access %s, rank %q; people only look", n.ID, n.Access, n.Rank)
				}
			}
			if n.XMLName.Local == "UAVariable" && !strings.HasPrefix(n.DataType, "i=") && !alias[n.DataType] {
				t.Errorf("%s: no alias %s", n.ID, n.DataType)
			}
		}
		if blocks != 7+64 || folders != 7 || displays != len(Displays()) {
			t.Errorf("%d blocks, %d folders, %d displays", blocks, folders, displays)
		}
		want := 0
		for _, d := range Displays() {
			if d.Unit != "" {
				want++
			}
		}
		if units != want {
			t.Errorf("%d units, want %d", units, want)
		}
	}
}

// Lengths and owners as the description of the handshake has them, sections
// 4.1 and 4.2.
func TestBlocksAreThoseOfTheHandshake(t *testing.T) {
	_, byID := parse(t, XML(demoLine))
	for _, c := range []struct {
		id     string
		words  int
		access string
	}{
		{"Request", 96, "1"}, {"Outcome.00", 40, "1"}, {"Outcome.63", 40, "1"}, {"Heartbeat", 10, "3"}, {"Hello", 10, "3"},
		{"Payload", 80, "3"}, {"Commit", 14, "3"}, {"Ack", 10, "3"},
	} {
		n := byID["ns=1;s=north."+c.id]
		if n == nil {
			t.Errorf("no node north.%s", c.id)
			continue
		}
		if n.Dimensions != strconv.Itoa(c.words) || n.Access != c.access {
			t.Errorf("%s: %s words, access %s, want %d and %s", c.id, n.Dimensions, n.Access, c.words, c.access)
		}
	}
}

func TestUnitNumbersAsPublished(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "sim_units.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		unit, code, number := row[0], row[1], row[2]
		if got, _ := unitCode(unit); got != code {
			t.Errorf("%s has code %q, %s has %s", unit, got, row[3], code)
		}
		if got := strconv.Itoa(int(unitID(code))); got != number {
			t.Errorf("code %s has number %s, %s has %s", code, got, row[3], number)
		}
	}
	for _, d := range Displays() {
		if code, name := unitCode(d.Unit); d.Unit != "" && (code == "" || name == "") {
			t.Errorf("%s %s: unit %q has no code", d.View, d.Name, d.Unit)
		}
	}
}

// The worked example of the description, section 4.3, says in words what its
// payload holds.
func TestDisplaysReadTheWorkedExample(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "controller", "testdata", "worked.txt"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "PAYLOAD")
	rest, _, _ = strings.Cut(rest, "COMMIT")
	var words []uint16
	for _, f := range strings.Fields(rest) {
		w, err := strconv.ParseUint(f, 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		words = append(words, uint16(w))
	}
	if len(words) != 80 {
		t.Fatalf("%d words", len(words))
	}
	want := map[string]any{
		"Tag": "R2026-001190", "RollNumber": uint32(1190), "WrapperSlot": uint16(2), "WrapperWidth": 1850.0,
		"FeedLength": 11943.3, "FeedCounts": uint32(23887), "Layers": 3.0, "Overlap": 150.0, "WrapSpeed": 0.6,
		"TurningDrive": 25.54, "FeedDrive": 31.20, "CrimpTurns": 1.25, "CrimpTime": 11.90, "TurningDriveCrimping": 17.02,
		"CrimperDrive": 28.90, "CrimperPressure": 6900.0, "CentreHeight": 766.8, "CrimperPosition": 625.2,
		"PlatenStroke": 410.0, "ContactPressure": 10.3, "HeaderTemperature": 176.7, "HeaderDwell": 6.50,
		"InnerHead": 1250.0, "OuterHead": 1219.0, "VacuumZones": uint16(0x3F), "Glue": 85.0, "GrossMass": 1571.2,
		"Tare": 23.1, "ScaleTolerance": 1.50, "CentringOffset": -1.2, "Groups": uint16(0xFF), "ClosingLeast": 168.0, "ClosingGreatest": 185.0,
	}
	seen := 0
	for _, d := range Displays() {
		if d.View != OfRecipe {
			continue
		}
		seen++
		if got := d.Value(words); got != want[d.Name] {
			t.Errorf("%s is %v, the example says %v", d.Name, got, want[d.Name])
		}
	}
	if seen != len(want) {
		t.Errorf("%d variables, %d in the example", seen, len(want))
	}
}

func TestNamedValues(t *testing.T) {
	for _, d := range Displays() {
		w := make([]uint16, 96)
		switch {
		case d.View == OfRequest && d.Name == "Phase":
			w[14] = 2
			if got := d.Value(w); got != "run" {
				t.Errorf("phase 2 is %v", got)
			}
			w[14] = 99
			if got := d.Value(w); got != "unknown" {
				t.Errorf("phase 99 is %v", got)
			}
		case d.View == OfRequest && d.Name == "GatewayAlive":
			w[15] = 1 << 4
			if got := d.Value(w); got != true {
				t.Errorf("flag 4 is %v", got)
			}
		case d.View == OfOutcome && d.Name == "Outcome":
			w[15] = 3
			if got := d.Value(w); got != "removed" {
				t.Errorf("outcome 3 is %v", got)
			}
		}
	}
}
