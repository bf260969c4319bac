package opcua

import (
	"slices"
	"strings"
	"testing"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// TestProbe looks around in a server that takes few nodes in one read.
func TestProbe(t *testing.T) {
	pl := another(t, plantSpec{limit: 5})
	ctx := bounded(t, patience)
	offers, err := Offers(ctx, "opc.tcp://"+pl.address, patience)
	if err != nil || !slices.ContainsFunc(offers, func(o Offer) bool {
		return o.Policy == string(best.policy) && o.Mode == string(best.mode) && len(o.Logins) > 0
	}) {
		t.Errorf("offers: %+v, %v", offers, err)
	}
	pl.store(handshake.REQ, 0, []uint16{0x5251, 1, 7})
	s := settings(t, pl.address, best)
	s.Line = ""
	p, err := OpenProbe(ctx, s)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	info, err := p.Server(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(info.Namespaces, NamespaceURI) || info.State != "Running" || info.Limits[0] != (Limit{"MaxNodesPerRead", 5, true}) {
		t.Errorf("server: %+v", info)
	}
	found, complete, err := p.Browse(ctx, ObjectsFolder(), Bounds{Depth: 9, Nodes: 1000})
	if err != nil || !complete {
		t.Fatalf("browsing: complete %t, %v", complete, err)
	}
	at := slices.IndexFunc(found, func(f Found) bool { return strings.HasSuffix(f.ID, NodeName(testLine, handshake.REQ, 0)) })
	if at < 0 || found[at].Class != "Variable" || found[at].Depth < 1 {
		t.Fatalf("the request block was not found: %+v", found)
	}
	for _, most := range []int{1, 3} {
		few, complete, err := p.Browse(ctx, ObjectsFolder(), Bounds{Depth: 9, Nodes: most})
		if err != nil || complete || len(few) > most {
			t.Errorf("at most %d: %d found, complete %t, %v", most, len(few), complete, err)
		}
	}
	nodes, err := p.Nodes(ctx, []string{found[at].ID, "i=2258", "ns=9;s=nowhere"})
	if err != nil {
		t.Fatal(err)
	}
	if n := nodes[0]; !strings.HasPrefix(n.Type, "UInt16[") || !strings.Contains(n.Access, "read") || !strings.HasPrefix(n.Value, "[21073 1 7 0") ||
		n.Status != "Good" || n.SourceTime.IsZero() || n.ServerTime.IsZero() {
		t.Errorf("request block: %+v", n)
	}
	if n := nodes[1]; n.Problem != "" || n.Type == "" || n.Value == "" {
		t.Errorf("clock of the server: %+v", n)
	}
	if nodes[2].Problem == "" {
		t.Errorf("a node that is not there: %+v", nodes[2])
	}
	if _, err := p.Nodes(ctx, []string{"ns=two;s=x", "ns=2;s=x", "i=x"}); err == nil || !strings.Contains(err.Error(), `"ns=two;s=x"`) || !strings.Contains(err.Error(), `"i=x"`) {
		t.Errorf("bad identifiers: got %v", err)
	}
	if n := len(p.RoundTrips()); n < 10 {
		t.Errorf("%d round trips were timed", n)
	}
}

func TestDataTypeName(t *testing.T) {
	for _, d := range dataTypes {
		if got := dataTypeName(ua.NewNumericNodeID(0, d.id)); got != id.Name(d.id) {
			t.Errorf("type %d: got %q, the library has %q", d.id, got, id.Name(d.id))
		}
	}
	for _, other := range []*ua.NodeID{ua.NewNumericNodeID(2, id.UInt16), ua.NewNumericNodeID(0, id.Argument), ua.NewStringNodeID(0, "UInt16"), ua.NewStringNodeID(3, "Recipe")} {
		if got := dataTypeName(other); got != other.String() {
			t.Errorf("%s: got %q", other, got)
		}
	}
}

func TestProbeNobody(t *testing.T) {
	address := closedAddress(t)
	if _, err := Offers(bounded(t, patience), "opc.tcp://"+address, patience); link.ClassOf(err) != link.Down {
		t.Errorf("offers: got %v, want down", err)
	}
	if _, err := OpenProbe(bounded(t, patience), settings(t, address, best)); link.ClassOf(err) != link.Down {
		t.Errorf("probe: got %v, want down", err)
	}
	if _, err := OpenProbe(bounded(t, patience), Settings{Endpoint: "nonsense"}); link.ClassOf(err) != link.ConfigClass {
		t.Errorf("settings: got %v, want a config error", err)
	}
}

// TestShownValues holds how values are cut.
func TestShownValues(t *testing.T) {
	for _, tt := range []struct {
		value any
		want  string
	}{
		{nil, "empty"}, {uint16(7), "7"}, {"a\nb", `"a\nb"`}, {[]byte{1, 255}, "01ff"},
		{[]uint16{1, 2}, "[1 2]"}, {make([]uint16, 9), "[0 0 0 0 0 0 0 0 … (9)]"}, {[]float32{}, "[]"},
		{strings.Repeat("é", 200), `"` + strings.Repeat("é", 99) + "…"},
	} {
		if got := show(tt.value); got != tt.want {
			t.Errorf("%v: got %s, want %s", tt.value, got, tt.want)
		}
	}
	if got := access(0x43); got != "read, write, write time" {
		t.Errorf("access: %s", got)
	}
	if got := access(0); got != "none" {
		t.Errorf("no access: %s", got)
	}
}
