package inspect_test

import (
	"context"
	"errors"
	"math/bits"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// device is a device with registers, which notes when it was asked for what.
type device struct {
	unit    uint8
	holding map[int]uint16
	input   map[int]uint16
	most    int // registers in one request
	asked   []time.Time
}

func newDevice(unit uint8) *device {
	return &device{unit: unit, holding: map[int]uint16{}, input: map[int]uint16{}, most: link.MostRead}
}

func (d *device) open(_ context.Context, unit uint8) (inspect.RegisterReader, error) {
	d.asked = append(d.asked, time.Now())
	return session{d, unit}, nil
}

type session struct {
	*device
	unit uint8
}

func (s session) Close() error { return nil }

func (s session) Read(_ context.Context, kind modbus.Reads, address, count int) ([]uint16, time.Duration, error) {
	s.asked = append(s.asked, time.Now())
	refused := func(code int) ([]uint16, time.Duration, error) {
		return nil, 0, &modbus.ProbeError{Class: link.Refused, Code: code, Err: errors.New("exception")}
	}
	registers := s.holding
	if kind == modbus.ReadInput {
		registers = s.input
	}
	switch {
	case s.unit != s.device.unit:
		return refused(11)
	case len(registers) == 0:
		return refused(1)
	case count > s.most:
		return refused(3)
	}
	var out []uint16
	for i := range count {
		w, ok := registers[address+i]
		if !ok {
			return refused(2)
		}
		out = append(out, w)
	}
	return out, 0, nil
}

// put lays words into registers.
func put(registers map[int]uint16, base int, words []uint16) {
	for i, w := range words {
		registers[base+i] = w
	}
}

// request is the request block of a controller from which three outcomes left.
func request(t *testing.T) []uint16 {
	t.Helper()
	words := make([]uint16, handshake.ReqWords)
	r := handshake.Request{Boot: 0x10203, RollNo: 0x50004, Tag: "M01-41001", Diameter: 12700, Produced: 3, GenHead: 7, GenTail: 7}
	if err := r.Encode(words); err != nil {
		t.Fatal(err)
	}
	return words
}

// serve lays the blocks of a line, the ring apart by shift from where the others are.
func (d *device) serve(t *testing.T, registers map[int]uint16, base, shift int) {
	t.Helper()
	b := config.DefaultBases()
	by := base - int(b.Request)
	put(registers, base, request(t))
	for entry := range handshake.OutEntries {
		words := make([]uint16, handshake.OutWords)
		if entry > 0 && entry <= 3 {
			o := handshake.Outcome{Index: uint32(entry), RollNo: uint32(entry)}
			if err := o.Encode(words); err != nil {
				t.Fatal(err)
			}
		}
		put(registers, int(b.Outcomes)+by+shift+entry*handshake.OutWords, words)
	}
	for at, words := range map[uint16]int{
		b.Heartbeat: handshake.HeartbeatWords, b.Hello: handshake.HelloWords, b.Payload: handshake.PayloadWords, b.Commit: handshake.CommitWords, b.Ack: handshake.AckWords,
	} {
		put(d.holding, int(at)+by, make([]uint16, words))
	}
}

// look searches the device in virtual time, and holds the pace.
func (d *device) look(t *testing.T, units []int, bases ...inspect.Stretch) *inspect.SearchReport {
	t.Helper()
	var report *inspect.SearchReport
	synctest.Test(t, func(t *testing.T) {
		w := &inspect.RegisterSearch{Units: units, Bases: bases, Open: d.open, Pace: new(inspect.Pace).Wait,
			Controller: config.Controller{Protocol: config.ModbusTCP, Address: "192.0.2.10:502", Plain: true}}
		var err error
		if report, err = w.Search(t.Context()); err != nil {
			t.Error(err)
		}
	})
	for i := range d.asked {
		if i+inspect.MostPerSecond < len(d.asked) && d.asked[i+inspect.MostPerSecond].Sub(d.asked[i]) < time.Second {
			t.Errorf("%d requests from number %d on within %v, want a second at least", inspect.MostPerSecond+1, i, d.asked[i+inspect.MostPerSecond].Sub(d.asked[i]))
			break
		}
	}
	if report.Requests != len(d.asked) {
		t.Errorf("the report tells of %d requests, the device was asked %d times", report.Requests, len(d.asked))
	}
	return report
}

func (d *device) lines(t *testing.T, units []int, bases ...inspect.Stretch) string {
	t.Helper()
	r := d.look(t, units, bases...)
	if len(r.Found) != 1 || r.Found[0].Trouble != "" {
		t.Fatalf("found %+v after %+v", r.Found, r.Tried)
	}
	return r.Found[0].Lines
}

func holds(t *testing.T, text string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("no %q in\n%s", w, text)
		}
	}
}

// No second holds more than five requests, however many are sent; units that are not
// there and ranges that are refused count like all others.
func TestSearchKeepsPace(t *testing.T) {
	d := newDevice(17)
	d.serve(t, d.holding, 2345, 0)
	text := d.lines(t, []int{1, 2, 3, 17, 18}, inspect.Stretch{First: 0, Last: 2999})
	holds(t, text, "unit: 17\n", "request: 2345\n", "outcomes: 2545\n", "heartbeat: 5345 #", "ack: 5485 #", "limits: 5545 # not published, not looked at, so not proved\n", "address: \"192.0.2.10:502\"\n")
	if took := d.asked[len(d.asked)-1].Sub(d.asked[0]); len(d.asked) < 70 || took < time.Duration(len(d.asked)-1)*time.Second/inspect.MostPerSecond {
		t.Errorf("%d requests in %v", len(d.asked), took)
	}
}

func TestSearchFindsBlocks(t *testing.T) {
	standard := int(config.DefaultBases().Request)
	t.Run("one off", func(t *testing.T) {
		for _, base := range []int{standard, standard - 1, standard + 1} {
			d := newDevice(1)
			d.serve(t, d.holding, base, 0)
			holds(t, d.lines(t, []int{1}, inspect.StandardBase()), "bases:\n        request: "+map[int]string{standard: "1000", standard - 1: "999", standard + 1: "1001"}[base]+"\n")
		}
	})
	t.Run("anywhere in a range, with nothing around it", func(t *testing.T) {
		for base := 3000; base < 3100; base++ {
			d := newDevice(1)
			d.serve(t, d.holding, base, 0)
			holds(t, d.lines(t, []int{1}, inspect.Stretch{First: 3000, Last: 3099}), "unit: 1\n")
		}
	})
	t.Run("input registers, few in a request", func(t *testing.T) {
		d := newDevice(0)
		d.serve(t, d.input, standard, 0)
		d.most = 50
		holds(t, d.lines(t, []int{0}, inspect.StandardBase()), "unit: 0\n", "modbus: {registers: input, read_limit: 48}\n")
	})
	t.Run("the ring alone where the handshake proposes it", func(t *testing.T) {
		d := newDevice(1)
		d.serve(t, d.holding, 4500, -3500)
		holds(t, d.lines(t, []int{1}, inspect.Stretch{First: 4500, Last: 4500}), "outcomes: 1200\n", "heartbeat: 7500 # empty, so not proved\n")
	})
	t.Run("two lines", func(t *testing.T) {
		d := newDevice(1)
		d.serve(t, d.holding, standard, 0)
		d.serve(t, d.holding, 11000, 0)
		if r := d.look(t, []int{1}, inspect.StandardBase(), inspect.Stretch{First: 10000, Last: 12000}); len(r.Found) != 2 || len(r.Troubles()) > 0 || !strings.Contains(r.Found[1].Lines, "ack: 14140 ") {
			t.Errorf("got %+v", r)
		}
	})
}

// Blocks in another order are found and named, and no configuration is printed for
// them: none makes them readable.
func TestSearchOfOtherOrders(t *testing.T) {
	for i, order := range inspect.OrderNames() {
		for _, exchanged := range []bool{false, true} {
			if i == 0 && !exchanged {
				continue
			}
			words := request(t)
			for _, f := range handshake.Fields(handshake.REQ) {
				if f.Kind != handshake.FormU32 {
					continue
				}
				at := words[f.Register : f.Register+2]
				if order == "CDAB" || order == "DCBA" {
					slices.Reverse(at)
				}
				if order == "BADC" || order == "DCBA" {
					at[0], at[1] = bits.ReverseBytes16(at[0]), bits.ReverseBytes16(at[1])
				}
			}
			want := "word order " + order
			if exchanged {
				want += ", the bytes of each register exchanged"
				for i, w := range words {
					words[i] = bits.ReverseBytes16(w)
				}
			}
			for _, bases := range []inspect.Stretch{inspect.StandardBase(), {First: 900, Last: 1100}} {
				d := newDevice(1)
				put(d.holding, 1000, words)
				r := d.look(t, []int{1}, bases)
				if len(r.Found) != 1 || r.Found[0].Order != want || r.Found[0].Lines != "" || len(r.Troubles()) != 1 {
					t.Errorf("%s: got %+v after %+v", want, r.Found, r.Tried)
				}
			}
		}
	}
}

// What is no block is told by what stands there.
func TestSearchOfOtherData(t *testing.T) {
	for want, words := range map[string]func() []uint16{
		"nothing but zeros":            func() []uint16 { return make([]uint16, 200) },
		"type word is 0190, want 5251": func() []uint16 { return slices.Repeat([]uint16{400}, 200) },
		"layout version is 9":          func() []uint16 { w := request(t); w[1] = 9; return w },
		"checksum in register 94":      func() []uint16 { w := request(t); w[30]++; return w },
		"generation at the tail":       func() []uint16 { w := request(t); w[2]++; return w },
		"refused: exception":           func() []uint16 { return make([]uint16, 20) },
		"no such unit":                 func() []uint16 { return nil },
		"does not offer this kind":     func() []uint16 { return nil },
	} {
		d := newDevice(1)
		unit := 1
		switch want {
		case "no such unit":
			unit = 2
		case "does not offer this kind":
		default:
			put(d.holding, 1000, words())
		}
		r := d.look(t, []int{unit}, inspect.StandardBase())
		if !r.Answered || len(r.Found) > 0 || !slices.ContainsFunc(r.Tried, func(tr inspect.Tried) bool { return strings.Contains(tr.Got, want) }) {
			t.Errorf("%s: got %+v", want, r)
		}
	}
}

// A block that is not where it was looked for is named, with where that was.
func TestSearchMissesBlock(t *testing.T) {
	d := newDevice(1)
	d.serve(t, d.holding, 2000, 0)
	for i := range handshake.HeartbeatWords {
		delete(d.holding, 5000+i)
	}
	r := d.look(t, []int{1}, inspect.Stretch{First: 2000, Last: 2000})
	if len(r.Found) != 1 || len(r.Troubles()) != 1 || !strings.Contains(r.Troubles()[0], "HEARTBEAT is not where it was looked for (5000; 4000)") {
		t.Errorf("got %+v", r)
	}
}

// A unit that is silent ends its own part of the search, a connection that does not come
// about the whole of it.
func TestSearchOfSilence(t *testing.T) {
	silent := &modbus.ProbeError{Class: link.Unknown, Err: context.DeadlineExceeded}
	away := &link.Error{Op: "dial", Class: link.Down, Err: errors.New("nobody there")}
	synctest.Test(t, func(t *testing.T) {
		w := &inspect.RegisterSearch{Units: []int{1, 2}, Bases: []inspect.Stretch{inspect.StandardBase()}, Pace: new(inspect.Pace).Wait,
			Open: func(_ context.Context, unit uint8) (inspect.RegisterReader, error) {
				if unit == 2 {
					return nil, away
				}
				return mute{silent}, nil
			}}
		r, err := w.Search(t.Context())
		if !errors.Is(err, error(away)) || r.Answered || len(r.Tried) != 1 || !strings.Contains(r.Tried[0].Got, "deadline") {
			t.Errorf("%v: got %+v", err, r)
		}
	})
}

type mute struct{ err error }

func (m mute) Read(context.Context, modbus.Reads, int, int) ([]uint16, time.Duration, error) {
	return nil, 0, m.err
}

func (mute) Close() error { return nil }
