package link

import (
	"context"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"

	"pgregory.net/rapid"
)

func bases() map[handshake.ID]int {
	return map[handshake.ID]int{
		handshake.REQ: 1000, handshake.OUT: 1200, handshake.HEARTBEAT: 4000, handshake.HELLO: 4010,
		handshake.PAYLOAD: 4030, handshake.COMMIT: 4120, handshake.ACK: 4140, handshake.LIMITS: 4200,
	}
}

func mustLayout(t testing.TB, b map[handshake.ID]int) Layout {
	t.Helper()
	l, err := NewLayout(b)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestLayout(t *testing.T) {
	l := mustLayout(t, bases())
	for _, tt := range []struct {
		id    handshake.ID
		entry int
		want  int
	}{{handshake.REQ, 0, 1000}, {handshake.OUT, 0, 1200}, {handshake.OUT, 63, 3720}, {handshake.ACK, 0, 4140}} {
		if got := l.Address(tt.id, tt.entry); got != tt.want {
			t.Errorf("%s entry %d is at %d, want %d", tt.id, tt.entry, got, tt.want)
		}
	}
	edge := bases()
	edge[handshake.REQ], edge[handshake.OUT] = 0, 65536-2560
	mustLayout(t, edge)
}

func TestLayoutProblems(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(map[handshake.ID]int)
		wants  []string
	}{
		{"missing", func(b map[handshake.ID]int) { delete(b, handshake.ACK) }, []string{"block ACK has no base address"}},
		{"unknown", func(b map[handshake.ID]int) { b[handshake.ID(9)] = 1 }, []string{"1 unknown blocks"}},
		{"negative", func(b map[handshake.ID]int) { b[handshake.REQ] = -1 }, []string{"block REQ at base -1"}},
		{"beyond the end", func(b map[handshake.ID]int) { b[handshake.OUT] = 65536 - 2559 }, []string{"block OUT at base 62977 takes registers 62977 to 65536"}},
		{"overlap by one", func(b map[handshake.ID]int) { b[handshake.REQ] = 1105 }, []string{"block OUT (registers 1200 to 3759) overlaps block REQ (registers 1105 to 1200)"}},
		{"several at once", func(b map[handshake.ID]int) {
			b[handshake.HELLO] = 4009
			b[handshake.ACK] = 4121
			b[handshake.REQ] = 70000
		},
			[]string{"block HELLO (registers 4009 to 4018) overlaps block HEARTBEAT", "block ACK (registers 4121 to 4130) overlaps block COMMIT", "block REQ at base 70000"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := maps.Clone(bases())
			tt.change(b)
			_, err := NewLayout(b)
			if err == nil {
				t.Fatal("accepted")
			}
			for _, want := range tt.wants {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("text %q lacks %q", err, want)
				}
			}
			if n := len(strings.Split(err.Error(), "\n")); n != len(tt.wants) {
				t.Errorf("%d problems named, want %d: %v", n, len(tt.wants), err)
			}
		})
	}
}

func TestPlan(t *testing.T) {
	span := func(id handshake.ID, entry int) Span {
		return Span{Block: id, Entry: entry, Dst: make([]uint16, handshake.Words(id))}
	}
	entries := func(ns ...int) (out []Span) {
		for _, n := range ns {
			out = append(out, span(handshake.OUT, n))
		}
		return out
	}
	full := Limits{Read: 125, Write: 123}
	for _, tt := range []struct {
		name   string
		spans  []Span
		limits Limits
		want   []Request
	}{
		{"nothing", nil, full, nil},
		{"request block", []Span{span(handshake.REQ, 0)}, full, []Request{{1000, 96}}},
		{"three entries in one read", entries(4, 5, 6), full, []Request{{1360, 120}}},
		{"a fourth needs another", entries(4, 5, 6, 7), full, []Request{{1360, 120}, {1480, 40}}},
		{"ring end", entries(62, 63, 0, 1), full, []Request{{3680, 80}, {1200, 80}}},
		{"given backwards", entries(6, 5, 4), full, []Request{{1440, 40}, {1400, 40}, {1360, 40}}},
		{"twice the same", entries(4, 4), full, []Request{{1360, 40}, {1360, 40}}},
		{"hole of one entry", entries(4, 6), full, []Request{{1360, 40}, {1440, 40}}},
		{"neighbours of one owner", []Span{span(handshake.HEARTBEAT, 0), span(handshake.HELLO, 0)}, full, []Request{{4000, 10}, {4010, 10}}},
		{"the ring and its neighbour", []Span{span(handshake.OUT, 63), span(handshake.REQ, 0), span(handshake.OUT, 0)}, full, []Request{{3720, 40}, {1000, 96}, {1200, 40}}},
		{"two entries in one read", entries(4, 5, 6), Limits{119, 123}, []Request{{1360, 80}, {1440, 40}}},
		{"an entry cut in two", entries(4, 5), Limits{30, 123}, []Request{{1360, 30}, {1390, 10}, {1400, 30}, {1430, 10}}},
		{"device with short reads", []Span{span(handshake.REQ, 0)}, Limits{40, 123}, []Request{{1000, 40}, {1040, 40}, {1080, 16}}},
		{"exactly two short reads", []Span{span(handshake.PAYLOAD, 0)}, Limits{40, 123}, []Request{{4030, 40}, {4070, 40}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := Plan{Layout: mustLayout(t, bases()), Limits: tt.limits}
			if err := p.Set(tt.spans); err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(p.Requests(), tt.want) {
				t.Errorf("got %v, want %v", p.Requests(), tt.want)
			}
		})
	}
}

// TestPlanFillsWhatWasAsked plays the requests of any plan against a memory in
// which every register holds its own address.
func TestPlanFillsWhatWasAsked(t *testing.T) {
	p := Plan{Layout: mustLayout(t, bases())}
	rapid.Check(t, func(t *rapid.T) {
		p.Limits = Limits{
			Read:  rapid.IntRange(1, MostRead).Draw(t, "read"),
			Write: MostWrite,
		}
		var spans []Span
		pieces := 0
		for range rapid.IntRange(0, 12).Draw(t, "spans") {
			s := Span{Block: handshake.ID(rapid.IntRange(0, handshake.Blocks-1).Draw(t, "block"))}
			if s.Block == handshake.OUT {
				s.Entry = rapid.IntRange(0, handshake.OutEntries-1).Draw(t, "entry")
			}
			s.Dst = make([]uint16, handshake.Words(s.Block))
			spans = append(spans, s)
			pieces += (len(s.Dst) + p.Limits.Read - 1) / p.Limits.Read
		}
		if err := p.Set(spans); err != nil {
			t.Fatal(err)
		}
		if len(p.Requests()) > pieces {
			t.Fatalf("%d requests for %d pieces", len(p.Requests()), pieces)
		}
		for i, r := range p.Requests() {
			if r.Words < 1 || r.Words > p.Limits.Read || r.Address < 0 || r.Address+r.Words > lastRegister+1 {
				t.Fatalf("request %+v breaks the limits %+v", r, p.Limits)
			}
			reply := make([]byte, 0, 2*r.Words)
			for a := r.Address; a < r.Address+r.Words; a++ {
				reply = append(reply, byte(a>>8), byte(a))
			}
			if p.Fill(i, reply[1:]) {
				t.Fatal("a short reply was taken")
			}
			if !p.Fill(i, reply) {
				t.Fatal("a whole reply was refused")
			}
		}
		for _, s := range spans {
			for k, got := range s.Dst {
				if want := p.Layout.Address(s.Block, s.Entry) + k; int(got) != want {
					t.Fatalf("%s entry %d register %d holds %d, want %d", s.Block, s.Entry, k, got, want)
				}
			}
		}
	})
}

func TestPlanAllocatesNothing(t *testing.T) {
	p := Plan{Layout: mustLayout(t, bases()), Limits: Limits{Read: 125, Write: 123}}
	spans := []Span{{Block: handshake.REQ, Dst: make([]uint16, 96)}, {Block: handshake.OUT, Entry: 3, Dst: make([]uint16, 40)}}
	reply := make([]byte, 192)
	if n := testing.AllocsPerRun(100, func() {
		if p.Set(spans) != nil || !p.Fill(0, reply) {
			t.Fatal("plan failed")
		}
	}); n != 0 {
		t.Errorf("planning allocates %v times", n)
	}
}

func TestLimits(t *testing.T) {
	if err := (Limits{Read: 125, Write: 123}).Check(); err != nil {
		t.Error(err)
	}
	err := Limits{Read: 126, Write: 79}.Check()
	for _, want := range []string{"per read are 126", "per write are 79, want 80 to 123"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v lacks %q", err, want)
		}
	}
}

func TestCheckWrite(t *testing.T) {
	good := make([]uint16, handshake.AckWords)
	if err := (&handshake.Ack{UpTo: 9}).Encode(good); err != nil {
		t.Fatal(err)
	}
	if err := CheckWrite(handshake.ACK, good); err != nil {
		t.Error(err)
	}
	damaged := slices.Clone(good)
	damaged[7]++
	request := make([]uint16, handshake.ReqWords)
	if err := (&handshake.Request{}).Encode(request); err != nil {
		t.Fatal(err)
	}
	outcome := make([]uint16, handshake.OutWords)
	if err := (&handshake.Outcome{}).Encode(outcome); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name  string
		id    handshake.ID
		words []uint16
		text  string
	}{
		{"request block", handshake.REQ, request, "belongs to the controller"},
		{"outcome", handshake.OUT, outcome, "belongs to the controller"},
		{"no block", handshake.ID(99), good, "belongs to the controller"},
		{"short", handshake.ACK, good[:9], "9 registers, want 10"},
		{"damaged", handshake.ACK, damaged, "checksum"},
		{"in another's place", handshake.HELLO, good, "type word"},
		{"nothing", handshake.ACK, nil, "0 registers"},
	} {
		err := CheckWrite(tt.id, tt.words)
		if ClassOf(err) != ConfigClass || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: got %v, want a config error with %q", tt.name, err, tt.text)
		}
	}
}

func TestCheckRead(t *testing.T) {
	room := make([]uint16, handshake.OutWords)
	for _, tt := range []struct {
		span Span
		text string
	}{
		{Span{handshake.ID(9), 0, room}, "no such block"},
		{Span{handshake.OUT, 64, room}, "entry 64 of the ring"},
		{Span{handshake.OUT, -1, room}, "entry -1 of the ring"},
		{Span{handshake.ACK, 1, room[:10]}, "entry 1 of a block that has no entries"},
		{Span{handshake.OUT, 0, room[:39]}, "room for 39 registers given, want 40"},
	} {
		err := CheckRead([]Span{{handshake.OUT, 63, room}, tt.span})
		if ClassOf(err) != ConfigClass || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%+v: got %v, want a config error with %q", tt.span, err, tt.text)
		}
	}
}

func TestError(t *testing.T) {
	for _, tt := range []struct {
		err  Error
		want string
	}{
		{Error{Op: "dial", Class: Down, Err: io.EOF, Help: "look at the cable"}, "dial: link down: EOF; look at the cable"},
		{Error{Op: "write", Block: handshake.PAYLOAD, Class: Unknown, Err: context.DeadlineExceeded},
			"write PAYLOAD: no valid answer, the write may have landed or may land later: context deadline exceeded"},
		{Error{Op: "read", Block: handshake.OUT, Class: Refused, Err: io.EOF}, "read OUT: refused: EOF"},
		{Error{Op: "read", Block: handshake.REQ, Class: Unknown}, "read REQ: no valid answer"},
		{Error{Op: "write", Block: handshake.ACK, Class: ConfigClass}, "write ACK: cannot work as configured"},
	} {
		if got := tt.err.Error(); got != tt.want {
			t.Errorf("got  %q\nwant %q", got, tt.want)
		}
	}
	e := &Error{Op: "write", Class: Unknown, Err: context.DeadlineExceeded}
	if !errors.Is(e, context.DeadlineExceeded) || ClassOf(errors.Join(io.EOF, e)) != Unknown {
		t.Error("cause or class is lost")
	}
	if ClassOf(io.EOF) != 0 || ClassOf(nil) != 0 {
		t.Error("a foreign error has a class")
	}
	for c, want := range map[Class]string{Refused: "refused", Unknown: "unknown", Down: "down", ConfigClass: "config", 9: "class 9"} {
		if c.String() != want {
			t.Errorf("class %d is %q, want %q", uint8(c), c, want)
		}
	}
}
