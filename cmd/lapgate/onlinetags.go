package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/tags"
)

// tagsLook is what was seen of the tags of a controller.
type tagsLook struct {
	Tags []tagLook `json:"tags"`
	// Orders are the numbers that stand in more than one register, in every
	// order of their bytes.
	Orders []orderLook `json:"word_orders,omitempty"`
}

// tagLook is one tag. What the transport does not tell is empty.
type tagLook struct {
	Field     string  `json:"field"`
	Direction string  `json:"direction"`
	Place     string  `json:"place"`
	Type      string  `json:"type"`                // configured
	TypeThere string  `json:"type_told,omitempty"` // by the controller
	Access    string  `json:"access,omitempty"`    // that the controller grants this user
	Exists    bool    `json:"exists"`
	Value     string  `json:"value,omitempty"` // in its unit
	AgeMS     float64 `json:"age_ms"`          // since the value's own time where the controller tells it, else since it was read
	AgeOf     string  `json:"age_of"`          // source time or read
	Problem   string  `json:"problem,omitempty"`
}

// orderLook is one number in every order of its bytes.
type orderLook struct {
	Field      string            `json:"field"`
	Configured string            `json:"configured"`
	Values     map[string]string `json:"values"`
}

// The times that an age counts from.
const (
	ageOfSource = "source time"
	ageOfRead   = "read"
)

// lookAtTags reads every tag, and over OPC UA what the server says of its node.
// The error is that of the connection.
func (p *program) lookAtTags(ctx context.Context, l *config.Line, d *tags.Dialer) (*tagsLook, []inspect.Item, error) {
	over := connect.TagsOver(l)
	var nodes []opcua.NodeInfo
	var asked time.Time
	var items []inspect.Item
	if over == tags.Nodes {
		var err error
		if nodes, err = p.nodesOf(ctx, l); err != nil {
			return nil, nil, err
		}
		asked = time.Now()
	}
	sights, err := d.Inspect(ctx, l.Controller.Times.RequestTimeout)
	if err != nil {
		return nil, nil, err
	}
	now := time.Now()
	look := &tagsLook{}
	oldest := now
	for i := range sights {
		s := &sights[i]
		if s.Read.Before(oldest) {
			oldest = s.Read
		}
		t := tagLook{
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
		t.AgeMS = float64(age.Round(time.Microsecond)) / float64(time.Millisecond)
		found := tagItems(s, &t)
		items = append(items, found...)
		look.Tags = append(look.Tags, t)
	}
	verdict := inspect.OK
	if len(items) > 0 {
		verdict = inspect.Note
	}
	items = append(items, inspect.Item{Subject: "tags", Verdict: verdict,
		Got: fmt.Sprintf("%d read within %s, %d with a problem", len(sights), now.Sub(oldest).Round(time.Millisecond), len(items))})
	if over == tags.Registers {
		items = append(items, inspect.Item{Subject: "type and access of tags", Verdict: inspect.Note,
			Got: "not told by registers: any type reads, and only a write shows whether one may be written", Remedy: "compare type, order and access with the controller program"})
		look.Orders = ordersOf(l.Mapped, sights)
		items = append(items, orderItems(l.Mapped, sights)...)
	}
	return look, items, nil
}

// nodesOf asks a server for the nodes of all tags, in their order.
func (p *program) nodesOf(ctx context.Context, l *config.Line) ([]opcua.NodeInfo, error) {
	// The dialer of the line tells the same warnings.
	s, err := p.connections.OPCUASettings(l, func(link.Warning) {})
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
func tagItems(s *tags.Sight, t *tagLook) []inspect.Item {
	var out []inspect.Item
	add := func(v inspect.Verdict, got, want, remedy string) {
		out = append(out, inspect.Item{Subject: "tag " + t.Field, Verdict: v, Got: t.Place + ": " + got, Want: want, Remedy: remedy})
		if t.Problem == "" {
			t.Problem = got
		}
	}
	switch {
	case s.Refused != nil:
		told := inspect.Undialled(s.Refused).Items[0]
		add(inspect.Fail, told.Got, "a "+t.Type+" that can be read", told.Remedy)
	case s.Unfit != nil:
		add(inspect.Fail, strings.TrimPrefix(s.Unfit.Error(), "tag "+t.Field+": "), "a value that the field holds", "compare type, order, scale and unit of the tag with the controller")
	}
	if t.Exists && t.Access != "" {
		ours := handshake.GatewayOwned(s.Point.Field.Block)
		names := strings.Split(t.Access, ", ")
		switch {
		case t.Access == notTold:
		case ours && !slices.Contains(names, "write"):
			add(inspect.Warn, "this user may "+t.Access+" only", "read, write", "enough for shadow, not for delivering recipes; give the user the right to write it at the controller")
		case !ours && slices.Contains(names, "write"):
			add(inspect.Note, "this user may write it", "read", "the gateway never does; take the right away at the controller")
		}
	}
	return out
}

// notTold is what a probe says of an attribute that a server does not give.
const notTold = "not told"

// wide reports whether the number of a tag depends on the order of its bytes
// and is one that a person can compare.
func wide(p *tags.Point) bool {
	t := &p.Tag
	return t.Registers() > 1 && t.Type != tags.Text && (t.Type.Float() || t.Unit != "")
}

// ordersOf are the numbers of wide tags in every order. One that is zero is
// zero in each of them, and is left out.
func ordersOf(m *tags.Mapping, sights []tags.Sight) []orderLook {
	var out []orderLook
	for i := range sights {
		s := &sights[i]
		if s.Refused != nil || s.Value.Bits == 0 || !wide(&s.Point) {
			continue
		}
		words := make([]uint16, s.Point.Tag.Registers())
		m.ToRegisters(&s.Point.Tag, s.Value, words)
		o := orderLook{Field: s.Point.Field.Name, Configured: string(m.Order), Values: map[string]string{}}
		for _, order := range tags.Orders() {
			other := tags.Mapping{Order: order}
			o.Values[string(order)] = s.Point.Show(other.FromRegisters(&s.Point.Tag, words))
		}
		out = append(out, o)
	}
	return out
}

// orderItems warn of the order of bytes, and tell where another one makes more
// sense of the floating-point numbers at hand.
func orderItems(m *tags.Mapping, sights []tags.Sight) []inspect.Item {
	var pairs []reading
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
			pairs = append(pairs, readings(words)...)
		}
	}
	if m.Order == "" {
		return nil
	}
	if !some {
		return []inspect.Item{{Subject: "word order", Verdict: inspect.Note, Got: "every number that would show it is zero",
			Want: string(m.Order), Remedy: "look again while a roll is at the station"}}
	}
	out := []inspect.Item{{Subject: "word order", Verdict: inspect.Warn, Got: "a wrong order often reads as plausible numbers; the values in each are below",
		Want: string(m.Order), Remedy: "compare one value with the same at the controller, best with a roll of known diameter and width"}}
	if best, _ := plausible(pairs); best.order != "" && best.number == float32Type && best.order != string(m.Order) {
		out = append(out, inspect.Item{Subject: "word order", Verdict: inspect.Warn,
			Got: fmt.Sprintf("of %d numbers, %s makes the most sense", len(pairs), best.order), Want: string(m.Order),
			Remedy: "compare with the controller before anything else; a guess proves nothing"})
	}
	return out
}

// print writes the tags as a table, and the numbers in every order.
func (l *tagsLook) print(w io.Writer) {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "  tag\tplace\ttype\taccess\tvalue\tage\tof\t")
	for i := range l.Tags {
		x := &l.Tags[i]
		access, value := x.Access, x.Value
		if access == "" {
			access = notTold
		}
		if !x.Exists {
			value = "none"
		}
		kind := x.Type
		if x.TypeThere != "" {
			kind += " (" + x.TypeThere + ")"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s ms\t%s\t\n", x.Field, x.Place, kind, access, value, strconv.FormatFloat(x.AgeMS, 'f', 1, 64), x.AgeOf)
	}
	_ = t.Flush() // to where the lines above went
	if len(l.Orders) == 0 {
		return
	}
	fmt.Fprintf(w, "  in every word order, %s as configured\n", l.Orders[0].Configured)
	t = tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintf(t, "  tag\t%s\t\n", strings.Join(orderNames(), "\t"))
	for i := range l.Orders {
		fmt.Fprintf(t, "  %s\t", l.Orders[i].Field)
		for _, name := range orderNames() {
			fmt.Fprintf(t, "%s\t", l.Orders[i].Values[name])
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // likewise
}
