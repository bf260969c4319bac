package inspect

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/tags"
)

// TagsReport is what was seen of the tags of a controller.
type TagsReport struct {
	Tags []TagReport `json:"tags"`
	// Orders are the numbers that stand in more than one register, in every
	// order of their bytes.
	Orders []OrderReport `json:"word_orders,omitempty" label:"in every word order"`
}

// TagReport is one tag. What the transport does not tell is empty.
type TagReport struct {
	Field     string  `json:"field" label:"tag"`
	Direction string  `json:"direction" print:"drop=3"`
	Place     string  `json:"place"`
	Type      string  `json:"type"`                                                  // configured
	TypeThere string  `json:"type_told,omitempty" label:"type there" print:"drop=2"` // by the controller
	Access    string  `json:"access,omitempty" print:"drop=1"`                       // that the controller grants this user
	Exists    bool    `json:"exists"`
	Value     string  `json:"value,omitempty"`                         // in its unit
	Age       float64 `json:"age_s"`                                   // since the value's own time where the controller tells it, else since it was read
	AgeOf     string  `json:"age_of" label:"age since" print:"drop=4"` // source time or read
	Problem   string  `json:"problem,omitempty" print:"below"`
}

// OrderReport is one number in every order of its bytes.
type OrderReport struct {
	Field      string `json:"field" label:"tag"`
	Configured string `json:"configured"`
	ABCD       string `json:"ABCD"`
	CDAB       string `json:"CDAB"`
	BADC       string `json:"BADC"`
	DCBA       string `json:"DCBA"`
}

// The times that an age counts from.
const (
	ageOfSource = "source time"
	ageOfRead   = "read"
)

// readTags reads every tag, and over OPC UA what the server says of its node.
// The error is that of the connection.
func readTags(ctx context.Context, via *connect.Dialers, l *config.Line, d *tags.Dialer) (*TagsReport, []Item, error) {
	over := connect.TagsOver(l)
	var nodes []opcua.NodeInfo
	var asked time.Time
	var items []Item
	if over == tags.Nodes {
		var err error
		if nodes, err = nodesOf(ctx, via, l); err != nil {
			return nil, nil, err
		}
		asked = time.Now()
	}
	sights, err := d.Inspect(ctx, l.Controller.Times.RequestTimeout)
	if err != nil {
		return nil, nil, err
	}
	now := time.Now()
	report := &TagsReport{}
	oldest := now
	for i := range sights {
		s := &sights[i]
		if s.Read.Before(oldest) {
			oldest = s.Read
		}
		t := TagReport{
			Field: s.Point.Field.Name, Direction: string(s.Point.Field.Info.Direction), Place: placeOfTag(&s.Point.Tag),
			Type: string(s.Point.Tag.Type), Exists: s.Refused == nil, AgeOf: ageOfRead,
		}
		age := now.Sub(s.Read)
		if s.Refused == nil {
			t.Value = s.Point.Show(s.Value)
		}
		if nodes != nil {
			n := &nodes[i]
			t.Exists = n.Problem == ""
			t.TypeThere, t.Access = n.Type, n.UserAccess
			if !n.SourceTime.IsZero() {
				age, t.AgeOf = asked.Sub(n.SourceTime), ageOfSource
			}
		}
		t.Age = age.Round(time.Microsecond).Seconds()
		found := tagItems(s, &t)
		items = append(items, found...)
		report.Tags = append(report.Tags, t)
	}
	verdict := OK
	if len(items) > 0 {
		verdict = Note
	}
	items = append(items, Item{Subject: "tags", Verdict: verdict,
		Got: fmt.Sprintf("%d read within %s, %d with a problem", len(sights), now.Sub(oldest).Round(time.Millisecond), len(items))})
	if over == tags.Registers {
		items = append(items, Item{Subject: "type and access of tags", Verdict: Note,
			Got: "not told by registers: any type reads, and only a write shows whether one may be written", Remedy: "compare type, order and access with the controller program"})
		report.Orders = ordersOf(l.Mapped, sights)
		items = append(items, orderItems(l.Mapped, sights)...)
	}
	return report, items, nil
}

// nodesOf asks a server for the nodes of all tags, in their order.
func nodesOf(ctx context.Context, via *connect.Dialers, l *config.Line) ([]opcua.NodeInfo, error) {
	// The dialer of the line tells the same warnings.
	s, err := via.OPCUASettings(l, func(link.Warning) {})
	if err != nil {
		return nil, err
	}
	probe, err := opcua.OpenProbe(ctx, s)
	if err != nil {
		return nil, err
	}
	defer func() { _ = probe.Close() }() // only read from
	var ids []string
	for i := range l.Mapped.Tags {
		ids = append(ids, l.Mapped.Tags[i].Node)
	}
	nodes, err := probe.Nodes(ctx, ids)
	if err != nil && link.ClassOf(err) == 0 {
		err = &link.Error{Op: "dial", Class: link.ConfigClass, Err: err, Help: "paste the identifier as the controller's address space shows it"}
	}
	return nodes, err
}

func placeOfTag(t *tags.Tag) string {
	if t.Node != "" {
		return t.Node
	}
	text := fmt.Sprintf("register %d (address %d)", tags.RegisterNumber(t.Address), t.Address)
	if t.Bit >= 0 {
		text += fmt.Sprintf(" bit %d", t.Bit)
	}
	return text
}

// tagItems are the problems of one tag; the first is noted at the tag.
func tagItems(s *tags.Sight, t *TagReport) []Item {
	var out []Item
	add := func(v Verdict, got, want, remedy string) {
		out = append(out, Item{Subject: "tag " + t.Field, Verdict: v, Got: t.Place + ": " + got, Want: want, Remedy: remedy})
		if t.Problem == "" {
			t.Problem = got
		}
	}
	switch {
	case s.Refused != nil:
		told := Undialled(s.Refused).Items[0]
		add(Fail, told.Got, "a "+t.Type+" that can be read", told.Remedy)
	case s.Unfit != nil:
		add(Fail, strings.TrimPrefix(s.Unfit.Error(), "tag "+t.Field+": "), "a value that the field holds", "compare type, order, scale and unit of the tag with the controller")
	}
	if t.Exists && t.Access != "" {
		ours := handshake.GatewayOwned(s.Point.Field.Block)
		names := strings.Split(t.Access, ", ")
		switch {
		case t.Access == NotTold:
		case ours && !slices.Contains(names, "write"):
			add(Warn, "this user may "+t.Access+" only", "read, write", "enough for shadow, not for delivering recipes; give the user the right to write it at the controller")
		case !ours && slices.Contains(names, "write"):
			add(Note, "this user may write it", "read", "the gateway never does; take the right away at the controller")
		}
	}
	return out
}

// NotTold is what a probe says of an attribute that a server does not give.
const NotTold = "not told"

// wide reports whether the number of a tag depends on the order of its bytes
// and is one that a person can compare.
func wide(p *tags.Point) bool {
	t := &p.Tag
	return t.Registers() > 1 && t.Type != tags.Text && (t.Type.Float() || t.Unit != "")
}

// ordersOf are the numbers of wide tags in every order. One that is zero is
// zero in each of them, and is left out.
func ordersOf(m *tags.Mapping, sights []tags.Sight) []OrderReport {
	var out []OrderReport
	for i := range sights {
		s := &sights[i]
		if s.Refused != nil || s.Value.Bits == 0 || !wide(&s.Point) {
			continue
		}
		words := make([]uint16, s.Point.Tag.Registers())
		m.ToRegisters(&s.Point.Tag, s.Value, words)
		in := func(order tags.Order) string {
			other := tags.Mapping{Order: order}
			return s.Point.Show(other.FromRegisters(&s.Point.Tag, words))
		}
		out = append(out, OrderReport{
			Field: s.Point.Field.Name, Configured: string(m.Order),
			ABCD: in(tags.ABCD), CDAB: in(tags.CDAB), BADC: in(tags.BADC), DCBA: in(tags.DCBA),
		})
	}
	return out
}

// orderItems warn of the order of bytes, and tell where another one makes more
// sense of the floating-point numbers at hand.
func orderItems(m *tags.Mapping, sights []tags.Sight) []Item {
	var pairs []Pair
	some := false
	for i := range sights {
		s := &sights[i]
		if s.Refused != nil || s.Value.Bits == 0 {
			continue
		}
		some = some || wide(&s.Point)
		if s.Point.Tag.Type == tags.Float32 {
			words := make([]uint16, s.Point.Tag.Registers())
			m.ToRegisters(&s.Point.Tag, s.Value, words)
			pairs = append(pairs, Pairs(words)...)
		}
	}
	if m.Order == "" {
		return nil
	}
	if !some {
		return []Item{{Subject: "word order", Verdict: Note, Got: "every number that would show it is zero",
			Want: string(m.Order), Remedy: "look again while a roll is at the station"}}
	}
	out := []Item{{Subject: "word order", Verdict: Warn, Got: "a wrong order often reads as plausible numbers; the values in each are below",
		Want: string(m.Order), Remedy: "compare one value with the same at the controller, best with a roll of known diameter and width"}}
	if best, _ := MostPlausible(pairs); best.Order != "" && best.Number == Float32 && best.Order != string(m.Order) {
		out = append(out, Item{Subject: "word order", Verdict: Warn,
			Got: fmt.Sprintf("of %d numbers, %s makes the most sense", len(pairs), best.Order), Want: string(m.Order),
			Remedy: "compare with the controller before anything else; a guess proves nothing"})
	}
	return out
}
