package mapped

import (
	"strings"

	"lapgate/sim/controller"
	"lapgate/sim/modbus"
)

// Config is how the variables of a controller stand in its holding registers.
type Config struct {
	// Order is how the bytes of a value of 32 bits stand in its registers, one of
	// Orders; 64 bits likewise.
	Order string
	// Swapped puts the first of two characters into the low byte.
	Swapped bool
	// Without names the variables that the controller does not have.
	Without []string
	// OnWrite is called for each request that writes; nil for none.
	OnWrite func()
}

// Orders are the orders in which bytes stand in registers, A the most
// significant. The first is the usual one.
func Orders() []string { return []string{"ABCD", "CDAB", "BADC", "DCBA"} }

// NewRegisters returns the holding registers in which the variables of an image
// stand.
func NewRegisters(image *controller.Image, c Config) modbus.Registers {
	return &holding{glue: newGlue(image, c.Without), conf: c}
}

// holding are the holding registers that the variables stand in.
type holding struct {
	glue *glue
	conf Config
}

// span is where the variables of one side stand.
func (r *holding) span(writable bool) (from, to int) {
	from, to = firstOwn, firstOwn
	if writable {
		from, to = firstGiven, firstGiven
	}
	for i := range r.glue.tags {
		if t := &r.glue.tags[i]; t.Writable == writable {
			to = max(to, t.Address+t.registers())
		}
	}
	return from, to
}

// Read returns registers of one side.
func (r *holding) Read(addr uint16, count int) ([]uint16, error) {
	lo, hi := int(addr), int(addr)+count
	if !r.within(lo, hi, false) && !r.within(lo, hi, true) {
		return nil, &controller.AddressError{Op: "read", Addr: addr, Count: count}
	}
	out := make([]uint16, count)
	m := r.glue.observe()
	for i := range r.glue.tags {
		t := &r.glue.tags[i]
		if t.Address >= hi || t.Address+t.registers() <= lo {
			continue
		}
		for k, w := range r.words(t, r.glue.read(i, &m)) {
			if at := t.Address + k - lo; at >= 0 && at < count {
				out[at] |= w
			}
		}
	}
	return out, nil
}

func (r *holding) within(lo, hi int, writable bool) bool {
	from, to := r.span(writable)
	return lo < hi && lo >= from && hi <= to
}

// Write sets the variables that are written whole. A variable that is written
// by half is refused, as a controller with typed variables does.
func (r *holding) Write(addr uint16, words []uint16) error {
	if r.conf.OnWrite != nil {
		r.conf.OnWrite()
	}
	lo, hi := int(addr), int(addr)+len(words)
	if !r.within(lo, hi, true) {
		return &controller.AddressError{Op: "write", Addr: addr, Count: len(words)}
	}
	for i := range r.glue.tags {
		t := &r.glue.tags[i]
		from, to := t.Address, t.Address+t.registers()
		if from >= hi || to <= lo {
			continue
		}
		if from < lo || to > hi {
			return &controller.AddressError{Op: "write", Addr: addr, Count: len(words)}
		}
		if err := r.glue.write(i, r.value(t, words[from-lo:to-lo])); err != nil {
			return err
		}
	}
	return nil
}

// words spreads a value over its registers.
func (r *holding) words(t *Tag, v value) []uint16 {
	switch t.Type {
	case "bool":
		return []uint16{uint16(v.bits) << t.Bit}
	case "text":
		b := []byte(v.text + strings.Repeat("\x00", t.Length-len(v.text)))
		out := make([]uint16, t.registers())
		for i := range out {
			out[i] = uint16(b[2*i])<<8 | uint16(b[2*i+1])
			if r.conf.Swapped {
				out[i] = out[i]<<8 | out[i]>>8
			}
		}
		return out
	}
	n := t.registers()
	bytes := make([]byte, 0, 2*n)
	for i := 2*n - 1; i >= 0; i-- {
		bytes = append(bytes, byte(v.bits>>(8*i)))
	}
	out := make([]uint16, n)
	for i := range out {
		out[i] = uint16(bytes[r.from(2*i, n)])<<8 | uint16(bytes[r.from(2*i+1, n)])
	}
	return out
}

// value gathers a value from its registers.
func (r *holding) value(t *Tag, words []uint16) value {
	if t.Type == "text" {
		var b strings.Builder
		for _, w := range words {
			if r.conf.Swapped {
				w = w<<8 | w>>8
			}
			b.WriteByte(byte(w >> 8))
			b.WriteByte(byte(w))
		}
		return value{text: strings.TrimRight(b.String(), "\x00")}
	}
	n := len(words)
	bytes := make([]byte, 2*n)
	for i, w := range words {
		bytes[r.from(2*i, n)], bytes[r.from(2*i+1, n)] = byte(w>>8), byte(w)
	}
	var v value
	for _, b := range bytes {
		v.bits = v.bits<<8 | uint64(b)
	}
	return v
}

// from tells which byte, A being 0, stands at place i of n registers: the
// letters of the order, for 64 bits its pattern over all of them.
func (r *holding) from(i, n int) int {
	if n < 2 {
		return i
	}
	switch r.conf.Order {
	case "CDAB":
		return 2*(n-1-i/2) + i%2
	case "BADC":
		return i ^ 1
	case "DCBA":
		return 2*n - 1 - i
	}
	return i
}
