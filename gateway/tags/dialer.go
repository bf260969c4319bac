package tags

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Tags is a connection that reads and writes tags. It is used by one goroutine
// at a time. Errors are *link.Error; after one of class Down or Unknown it is
// dead.
type Tags interface {
	// Read fills values[i] for each index i of the mapping's tags that is
	// named. No value is torn; two values need not be of one moment. The block
	// is the one that the tags serve, for the error.
	Read(ctx context.Context, b handshake.ID, tags []int, values []Value) error
	// Write writes values[i] for each index named. Refused means that nothing
	// was written.
	Write(ctx context.Context, b handshake.ID, tags []int, values []Value) error
	// Close frees the connection. It may be called more than once.
	Close() error
}

// Dialer opens ports to one controller.
type Dialer struct {
	plan *plan
	open func(context.Context) (Tags, error)
	boot bootStandIn
}

var _ link.Dialer = (*Dialer)(nil)

// New makes a dialer. open connects; its errors are *link.Error. The error
// names everything that is wrong with the mapping.
func New(m *Mapping, over Transport, open func(context.Context) (Tags, error)) (*Dialer, error) {
	var bad []error
	for _, p := range m.Check(over) {
		where := p.Key
		if p.Index >= 0 {
			where = fmt.Sprintf("tags.%d.%s", p.Index, p.Key)
		}
		bad = append(bad, fmt.Errorf("%s: %s (got %s, want %s)", where, p.Text, p.Got, p.Want))
	}
	if len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.Join(bad...), Help: "correct the tags in the configuration"}
	}
	p, err := newPlan(m)
	if err != nil {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: err, Help: "correct the tags in the configuration"}
	}
	return &Dialer{plan: p, open: open}, nil
}

// Dial connects and reads every tag once, so that one that the controller does
// not offer shows before any work depends on it. Errors are those of open, and
// of class ConfigClass where the controller refuses a tag.
func (d *Dialer) Dial(ctx context.Context) (link.Port, error) {
	tags, err := d.open(ctx)
	if err != nil {
		return nil, err
	}
	p := &port{plan: d.plan, tags: tags, boot: &d.boot, began: time.Now(), values: make([]Value, len(d.plan.points))}
	for _, b := range handshake.IDs() {
		if err := p.fetch(ctx, b, d.plan.all[b]); err != nil {
			_ = tags.Close()
			return nil, tagsError(err)
		}
	}
	return p, nil
}

func tagsError(err error) error {
	var e *link.Error
	if !errors.As(err, &e) {
		return &link.Error{Op: "dial", Class: link.Down, Err: err}
	}
	class := link.Down
	if e.Class.Answered() || e.Class == link.ConfigClass {
		class = link.ConfigClass
	}
	return &link.Error{Op: "dial", Block: e.Block, Class: class, Err: fmt.Errorf("reading the tags of block %s: %w", e.Block, e.Err), Help: e.Help}
}

// plan is what a mapping asks for at each read and write, worked out once. It is
// never changed.
type plan struct {
	mapping *Mapping
	points  []Point
	has     map[string]int // index of the tag, by the name of its field

	all   [handshake.Blocks][]int // every tag of a block
	first [handshake.Blocks][]int // written first
	last  [handshake.Blocks][]int // written last, apart

	view      []int                      // read for a request block
	steady    []int                      // of these, what must not differ between two reads
	tail      []int                      // generation, read before the rest
	head      []int                      // generation, read after the rest
	readsBack bool                       // the commit is read with the request
	stands    [handshake.ReqWords]uint16 // request block with the stand-ins
	fields    map[string]Field
}

// get returns the number of a field. The name is a constant of this package, so
// the field exists.
func (p *plan) get(words []uint16, name string) int64 {
	f := p.fields[name]
	return f.Get(words)
}

// put sets the number of a field, cut to its width. The name is a constant of
// this package.
func (p *plan) put(words []uint16, name string, v int64) {
	f := p.fields[name]
	_ = f.Put(words, v&(1<<(16*f.Info.Words)-1)) // it fits
}

// starts names the field of a block at whose change the controller acts.
func starts(b handshake.ID) string {
	switch b {
	case handshake.HEARTBEAT:
		return "heartbeat.count"
	case handshake.HELLO:
		return "hello.epoch"
	case handshake.PAYLOAD:
		return "payload.offer"
	case handshake.COMMIT:
		return "commit.offer"
	case handshake.ACK:
		return "ack.up_to"
	}
	return ""
}

func newPlan(m *Mapping) (*plan, error) {
	p := &plan{mapping: m, has: map[string]int{}, fields: map[string]Field{}}
	for _, f := range Fields() {
		p.fields[f.Name] = f
	}
	for i := range m.Tags {
		point, err := NewPoint(m.Tags[i])
		if err != nil {
			return nil, err
		}
		p.points = append(p.points, point)
		b := point.Field.Block
		name := point.Field.Name
		p.has[name] = i
		p.all[b] = append(p.all[b], i)
		if name == starts(b) {
			p.last[b] = append(p.last[b], i)
		} else {
			p.first[b] = append(p.first[b], i)
		}
		switch {
		case name == "request.gen_head":
			p.head = append(p.head, i)
		case name == "request.gen_tail":
			p.tail = append(p.tail, i)
		case b == handshake.REQ:
			p.view = append(p.view, i)
			if !moves(name) {
				p.steady = append(p.steady, i)
			}
		}
	}
	p.readsBack = !p.knows("request.result_offer") || !p.knows("request.result_epoch") || !p.knows("request.result_nonce")
	also := []string{"outcome.out_idx"}
	if p.knows("outcome.out_idx") && !p.knows("request.outcomes_acknowledged") {
		also = append(also, "ack.up_to")
	}
	if p.readsBack {
		also = append(also, "commit.offer", "commit.epoch", "commit.nonce", "commit.req_id")
	}
	if !p.knows("request.result_offer") {
		also = append(also, "outcome.offer", "outcome.epoch", "outcome.nonce")
	}
	if !p.knows("request.boot_id") {
		also = append(also, "hello.boot_id")
	}
	if !p.knows("request.active_epoch") || !p.knows("request.active_nonce") || !p.knows("request.epoch_floor") {
		also = append(also, "hello.epoch", "hello.nonce")
	}
	for _, name := range also {
		if i, ok := p.has[name]; ok && !slices.Contains(p.view, i) {
			p.view = append(p.view, i)
			p.steady = append(p.steady, i)
		}
	}
	return p, p.standIns()
}

// moves reports whether a field of a request changes while nothing happens.
func moves(name string) bool {
	switch name {
	case "request.tick", "request.scan_age", "request.stale_commits", "request.platen_temperature", "request.platen_hot_temperature":
		return true
	}
	return false
}

func (p *plan) knows(name string) bool { _, ok := p.has[name]; return ok }

// standIns fills the request block with the value that is taken for each field
// without a tag.
func (p *plan) standIns() error {
	const (
		allOn     = 0xFFFFFFFF
		everySlot = 0x3F
		produce   = 1
		execute   = 6
		perfect   = 100
	)
	if err := new(handshake.Request).Encode(p.stands[:]); err != nil {
		return err
	}
	values := map[string]int64{
		"request.scan_quality": perfect, "request.unit_mode": produce, "request.unit_state": execute,
		"request.slots_ready": everySlot, "request.permissives": allOn,
		"request.flags": int64(handshake.AllPermissives | handshake.GatewayAlive | handshake.DimensionsValid),
	}
	for _, f := range Fields() {
		v, ok := values[f.Name]
		if !ok || p.knows(f.Name) || f.Name != "request.flags" && p.part(f.Name) {
			continue
		}
		if err := f.Put(p.stands[:], v); err != nil {
			return fmt.Errorf("stand-in for %s: %w", f.Name, err)
		}
	}
	for _, of := range []string{"diameter", "width"} {
		given, _ := Find("request." + of + "_samples_given")
		n := int64(0)
		for p.knows(fmt.Sprintf("request.%s_samples.%d", of, n+1)) {
			n++
		}
		if err := given.Put(p.stands[:], n); err != nil {
			return err
		}
	}
	return nil
}

// part reports whether single bits of a set of bits have tags.
func (p *plan) part(name string) bool {
	for i := range p.points {
		if f := p.points[i].Field.Name; len(f) > len(name)+4 && f[:len(name)+4] == name+".bit" {
			return true
		}
	}
	return false
}

// bootStandIn is the boot number of a controller that counts none: the one that
// stands in its HELLO tags since the last session, and a new one, never used
// before, where nothing stands there. It outlives a connection.
type bootStandIn struct {
	number uint32
	kept   bool
}

// take returns the boot number. kept is what stands in the controller, 0 for
// nothing.
func (s *bootStandIn) take(kept uint32, now time.Time) uint32 {
	switch {
	case kept != 0:
		s.number, s.kept = kept, true
	case s.kept || s.number == 0:
		// The protocol has a controller that lost its memory take the seconds
		// since 2020, which were never used as a boot number before.
		seconds := uint32(now.Sub(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)) / time.Second)
		s.number, s.kept = max(seconds, s.number+1), false
	}
	return s.number
}
