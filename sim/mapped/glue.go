package mapped

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

// starts names the variable of a block that the program of the controller
// watches: when it is written, the block is complete.
func starts(b registers.Block) string {
	switch b {
	case registers.Heartbeat:
		return "heartbeat.count"
	case registers.Hello:
		return "hello.epoch"
	case registers.Commit:
		return "commit.offer"
	case registers.Ack:
		return "ack.up_to"
	}
	return ""
}

// glue stands between the variables and the image that the program works on.
type glue struct {
	image *controller.Image
	tags  []Tag
	index map[string]int

	mu     sync.Mutex
	values []value // of the gateway's variables, as written
}

// value is what stands in a variable: bits of a number, or text.
type value struct {
	bits uint64
	text string
}

func newGlue(image *controller.Image, without []string) *glue {
	g := &glue{image: image, tags: Tags(without...), index: map[string]int{}}
	for i := range g.tags {
		g.index[g.tags[i].Name] = i
	}
	g.values = make([]value, len(g.tags))
	return g
}

// moment is one view of the controller's own blocks.
type moment struct {
	req controller.ReqWords
	out controller.OutWords
}

// observe takes the request and the one outcome that is shown: the oldest that is
// not acknowledged, and while no gateway has a session the newest.
func (g *glue) observe() (m moment) {
	m.req = g.image.Request()
	req := registers.In(registers.Request, m.req[:])
	produced, acked := req.Get("outcomes_produced"), req.Get("outcomes_acknowledged")
	if produced == 0 {
		return m
	}
	shown := produced
	if acked < produced && req.Get("active_epoch") != 0 {
		shown = acked + 1
	}
	at := g.image.Bases().Out + uint16(shown%registers.RingEntries)*uint16(len(m.out))
	if w, err := g.image.Read(at, len(m.out)); err == nil {
		copy(m.out[:], w)
	}
	return m
}

// read is the value of a variable.
func (g *glue) read(i int, m *moment) value {
	t := &g.tags[i]
	switch t.block {
	case registers.Request:
		return t.of(m.req[:])
	case registers.Outcome:
		return t.of(m.out[:])
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.values[i]
}

// write sets a variable of the gateway, and has the program see the block when
// it is the one that starts something.
func (g *glue) write(i int, v value) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.values[i] = v
	b := g.tags[i].block
	if starts(b) != g.tags[i].Name {
		return nil
	}
	if b == registers.Commit {
		if err := g.hand(registers.Payload); err != nil {
			return err
		}
	}
	return g.hand(b)
}

// hand puts one block together and writes it where the program reads it.
func (g *glue) hand(b registers.Block) error {
	words := make([]uint16, b.Shape().Words)
	v := registers.In(b, words)
	v.Begin()
	for i := range g.tags {
		if t := &g.tags[i]; t.block == b {
			if err := t.into(words, g.values[i]); err != nil {
				return err
			}
		}
	}
	g.complete(b, v)
	v.Seal()
	return g.image.Write(g.image.Bases().Of(b), words)
}

// complete fills the fields that have no variable with what the program knows
// itself.
func (g *glue) complete(b registers.Block, v registers.View) {
	shape := b.Shape()
	lacks := func(field string) bool {
		_, have := g.index[shape.Prefix+"."+field]
		return shape.Has(field) && !have
	}
	known := g.image.Request()
	req := registers.In(registers.Request, known[:])
	for _, own := range [...]struct{ field, from string }{
		{"epoch", "active_epoch"}, {"nonce", "active_nonce"}, {"boot_id", "boot_id"}, {"req_id", "req_id"}, {"roll_no", "roll_no"},
		{"diameter", "diameter"}, {"width", "width"}, {"tick", "tick"},
	} {
		if lacks(own.field) {
			v.Put(own.field, req.Get(own.from))
		}
	}
	if lacks("roll_tag") {
		v.PutLetters("roll_tag", req.Letters("roll_tag"))
	}
	if _, tells := g.index["request.boot_id"]; b == registers.Hello && !tells {
		// Where no variable tells the gateway this number it cannot echo it. What
		// it wrote there is a number of its own.
		v.Put("boot_id", req.Get("boot_id"))
	}
	if b == registers.Payload && lacks("offer") {
		v.Put("offer", uint32(g.values[g.index["commit.offer"]].bits))
	}
	if b == registers.Commit && lacks("payload_crc") {
		payload := g.image.Copy().Payload
		v.Put("payload_crc", registers.In(registers.Payload, payload[:]).Sum())
	}
}

// of is the value of the variable for the words of its block.
func (t *Tag) of(w []uint16) value {
	f := t.field
	switch f.Form {
	case registers.Text:
		var b strings.Builder
		for _, c := range w[f.Register : f.Register+f.Registers()] {
			b.WriteByte(byte(c >> 8))
			b.WriteByte(byte(c))
		}
		return value{text: strings.TrimRight(b.String(), "\x00")}
	case registers.Flags:
		return value{bits: uint64(f.Number(w, 0)) >> t.Bit & 1}
	}
	x := f.Amount(w, t.element)
	switch t.Type {
	case "float32":
		return value{bits: uint64(math.Float32bits(float32(x)))}
	case "float64":
		return value{bits: math.Float64bits(x)}
	}
	return value{bits: uint64(int64(math.Round(x/t.Scale))) << (64 - t.width()) >> (64 - t.width())}
}

// into puts the value of the variable into the words of its block.
func (t *Tag) into(w []uint16, v value) error {
	f := t.field
	if f.Form == registers.Text {
		for i := range min(t.Length, len(v.text)) {
			w[f.Register+i/2] |= uint16(v.text[i]) << (8 - 8*(i%2))
		}
		return nil
	}
	var x float64
	switch t.Type {
	case "float32":
		x = float64(math.Float32frombits(uint32(v.bits)))
	case "float64":
		x = math.Float64frombits(v.bits)
	case "int16":
		x = float64(int16(v.bits)) * t.Scale
	case "int32":
		x = float64(int32(v.bits)) * t.Scale
	default:
		x = float64(v.bits) * t.Scale
	}
	least, most := f.Range()
	n := int64(math.Round(x * f.Steps))
	if n < least || n > most {
		return fmt.Errorf("variable %s holds %v, want %g to %g", t.Name, x, float64(least)/f.Steps, float64(most)/f.Steps)
	}
	f.PutNumber(w, t.element, n)
	return nil
}
