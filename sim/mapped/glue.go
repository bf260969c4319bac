package mapped

import (
	"fmt"
	"hash/crc32"
	"math"
	"strings"
	"sync"

	"lapgate/sim/controller"
)

// The sizes, type words and starting fields of the blocks of the gateway.
var given = [...]struct {
	name   string
	words  int
	kind   uint16
	layout bool
	starts string // the variable that the program of the controller watches
}{
	{"heartbeat", 10, 0x4842, false, "heartbeat.count"},
	{"hello", 10, 0x4845, true, "hello.epoch"},
	{"payload", 80, 0x5041, true, ""},
	{"commit", 14, 0x434D, false, "commit.offer"},
	{"ack", 10, 0x414B, false, "ack.up_to"},
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

// moment is one look at the controller's own blocks.
type moment struct {
	req controller.ReqWords
	out controller.OutWords
}

// look takes the request and the one outcome that is shown: the oldest that is
// not acknowledged, and while no gateway has a session the newest.
func (g *glue) look() (m moment) {
	m.req = g.image.Request()
	produced, acked := long(m.req[:], 51), long(m.req[:], 53)
	if produced == 0 {
		return m
	}
	shown := produced
	if acked < produced && long(m.req[:], 7) != 0 {
		shown = acked + 1
	}
	const ring = 64
	if w, err := g.image.Read(g.image.Bases().Out+uint16(shown%ring)*uint16(len(m.out)), len(m.out)); err == nil {
		copy(m.out[:], w)
	}
	return m
}

// read is the value of a variable.
func (g *glue) read(i int, m *moment) value {
	t := &g.tags[i]
	switch t.block {
	case "request":
		return t.of(m.req[:])
	case "outcome":
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
	for b := range given {
		if given[b].starts != g.tags[i].Name {
			continue
		}
		if given[b].name == "commit" {
			if err := g.hand(2); err != nil {
				return err
			}
		}
		return g.hand(b)
	}
	return nil
}

// hand puts one block together and writes it where the program reads it. What
// has no variable the program knows itself.
func (g *glue) hand(n int) error {
	b := &given[n]
	w := make([]uint16, b.words)
	w[0] = b.kind
	if b.layout {
		w[1] = 1
	}
	req := g.image.Request()
	for _, own := range [...]struct {
		name   string
		at, of int // register in the block and in the request
		words  int
	}{
		{"epoch", 2, 7, 2}, {"nonce", 4, 9, 2}, {"boot_id", 6, 3, 2}, {"req_id", 8, 20, 2}, {"roll_no", 10, 18, 2},
		{"roll_tag", 21, 22, 8}, {"diameter", 29, 30, 2}, {"width", 31, 32, 2}, {"tick", 10, 5, 2},
	} {
		at := own.at
		if b.name == "commit" && own.name == "req_id" {
			at = 6
		}
		if !strings.Contains(fields, "\n"+b.name+"."+own.name+" ") {
			continue
		}
		if _, have := g.index[b.name+"."+own.name]; !have {
			copy(w[at:at+own.words], req[own.of:own.of+own.words])
		}
	}
	for i := range g.tags {
		if t := &g.tags[i]; t.block == b.name {
			if err := t.into(w, g.values[i]); err != nil {
				return err
			}
		}
	}
	if _, tells := g.index["request.boot_id"]; b.name == "hello" && !tells {
		// The gateway cannot echo a number that it is not told; what it keeps
		// in the variable is its own.
		copy(w[6:8], req[3:5])
	}
	if b.name == "payload" {
		if _, have := g.index["payload.offer"]; !have {
			w[12] = uint16(g.values[g.index["commit.offer"]].bits)
		}
	}
	if _, have := g.index["commit.payload_crc"]; b.name == "commit" && !have {
		payload := g.image.Copy().Payload
		copy(w[8:10], payload[len(payload)-2:])
	}
	seal(w)
	bases := g.image.Bases()
	return g.image.Write([]uint16{bases.Heartbeat, bases.Hello, bases.Payload, bases.Commit, bases.Ack}[n], w)
}

func long(w []uint16, at int) uint32 { return uint32(w[at])<<16 | uint32(w[at+1]) }

func seal(w []uint16) {
	n := len(w) - 2
	sum := crc32.NewIEEE()
	for _, x := range w[:n] {
		_, _ = sum.Write([]byte{byte(x >> 8), byte(x)}) // never fails
	}
	w[n], w[n+1] = uint16(sum.Sum32()>>16), uint16(sum.Sum32())
}

// of is the value of the variable for the words of its block.
func (t *Tag) of(w []uint16) value {
	var x float64
	switch t.kind {
	case "text":
		var b strings.Builder
		for _, c := range w[t.reg : t.reg+tagLetters/2] {
			b.WriteByte(byte(c >> 8))
			b.WriteByte(byte(c))
		}
		return value{text: strings.TrimRight(b.String(), "\x00")}
	case "u16":
		x = float64(w[t.reg])
	case "i16":
		x = float64(int16(w[t.reg]))
	case "u32":
		x = float64(long(w, t.reg))
	default:
		return value{bits: uint64(w[t.reg]) >> t.Bit & 1}
	}
	x /= t.steps
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
	if t.kind == "text" {
		for i := range tagLetters {
			c := byte(0)
			if i < len(v.text) {
				c = v.text[i]
			}
			w[t.reg+i/2] |= uint16(c) << (8 - 8*(i%2))
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
	n := int64(math.Round(x * t.steps))
	switch {
	case t.kind == "u16" && n >= 0 && n <= math.MaxUint16, t.kind == "i16" && n == int64(int16(n)):
		w[t.reg] = uint16(n)
	case t.kind == "u32" && n >= 0 && n <= math.MaxUint32:
		w[t.reg], w[t.reg+1] = uint16(n>>16), uint16(n)
	default:
		return fmt.Errorf("variable %s holds %v, which is no %s", t.Name, x, t.kind)
	}
	return nil
}
