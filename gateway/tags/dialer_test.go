package tags

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// bank is a controller's registers with a diary of the requests.
type bank struct {
	words  [65536]uint16
	diary  []string
	before func(*bank, string) error // called with each entry of the diary
	closed bool
}

func (b *bank) note(entry string) error {
	b.diary = append(b.diary, entry)
	if b.before != nil {
		return b.before(b, entry)
	}
	return nil
}

func (b *bank) ReadRegisters(_ context.Context, _ handshake.ID, address int, dst []uint16) error {
	if err := b.note(fmt.Sprintf("read %d+%d", address, len(dst))); err != nil {
		return err
	}
	copy(dst, b.words[address:])
	return nil
}

func (b *bank) WriteRegisters(_ context.Context, _ handshake.ID, address int, words []uint16) error {
	if err := b.note(fmt.Sprintf("write %d+%d", address, len(words))); err != nil {
		return err
	}
	copy(b.words[address:], words)
	return nil
}

func (b *bank) Close() error { b.closed = true; return nil }

var testLimits = Limits{Read: link.MostRead, Write: link.MostWrite}

func scaled(field string, typ Type, address int, unit string) Tag {
	return Tag{Field: field, Type: typ, Address: address, Bit: -1, Unit: unit, Scale: 1}
}

func plain(field string, typ Type, address int) Tag { return scaled(field, typ, address, "") }

// small is a mapping with a generation and a session, and few setpoints.
func small() *Mapping {
	m := &Mapping{Order: CDAB, TextOrder: AB, Tags: []Tag{
		plain("request.gen_head", Uint16, 0),
		plain("request.phase", Uint16, 1),
		plain("request.req_id", Uint32, 2),
		plain("request.roll_no", Uint32, 4),
		scaled("request.diameter", Float32, 6, "mm"),
		scaled("request.width", Float32, 8, "in"),
		plain("request.boot_id", Uint32, 10),
		plain("request.gen_tail", Uint16, 12),
		plain("hello.boot_id", Uint32, 100),
		plain("hello.epoch", Uint32, 102),
		plain("hello.nonce", Uint32, 104),
		plain("payload.kind", Uint16, 110),
		scaled("payload.feed_length", Float32, 111, "mm"),
		plain("payload.offer", Uint16, 113),
		plain("commit.offer", Uint16, 120),
		plain("commit.req_id", Uint32, 121),
		plain("heartbeat.count", Uint16, 130),
		plain("heartbeat.gateway_state", Uint16, 131),
	}}
	return waived(m)
}

// waived waives what the mapping does not give.
func waived(m *Mapping) *Mapping {
	m.Waived = nil
	for _, l := range m.Losses() {
		m.Waived = append(m.Waived, l.Guarantee.Name)
	}
	return m
}

func without(m *Mapping, fields ...string) *Mapping {
	m.Tags = slices.DeleteFunc(m.Tags, func(t Tag) bool { return slices.Contains(fields, t.Field) })
	return waived(m)
}

func dial(t *testing.T, m *Mapping, b *bank) link.Port {
	t.Helper()
	d, err := New(m, Registers, func(context.Context) (Tags, error) { return OverRegisters(b, m, testLimits), nil })
	if err != nil {
		t.Fatal(err)
	}
	p, err := d.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	b.diary = nil
	return p
}

func request(t *testing.T, p link.Port) (handshake.Request, error) {
	t.Helper()
	words := make([]uint16, handshake.ReqWords)
	if err := p.Read(t.Context(), link.Span{Block: handshake.REQ, Dst: words}); err != nil {
		t.Fatal(err)
	}
	var r handshake.Request
	return r, handshake.DecodeRequest(words, &r)
}

// The bytes of the registers are worked out by hand: 1250.4 is 449C4CCD in IEEE
// 754, 64 is 42800000; the words stand swapped.
func TestReadRequest(t *testing.T) {
	b := &bank{}
	copy(b.words[:], []uint16{7, 1, 0x04B5, 0, 0x04A6, 0, 0x4CCD, 0x449C, 0x0000, 0x4280, 41, 0, 7})
	copy(b.words[100:], []uint16{41, 0, 9, 0, 0x79B9, 0x9E37})
	p := dial(t, small(), b)
	r, err := request(t, p)
	if err != nil {
		t.Fatal(err)
	}
	if r.Phase != handshake.Await || r.Req != 1205 || r.RollNo != 1190 || r.Boot != 41 || r.GenHead != 7 {
		t.Errorf("got %+v", r)
	}
	if r.Diameter != 12504 || r.Width != 16256 { // 64 in are 1625.6 mm
		t.Errorf("got %d × %d, want 12504 × 16256", r.Diameter, r.Width)
	}
	if r.Active != (handshake.Session{Epoch: 9, Nonce: 0x9E3779B9}) || r.Floor != 9 {
		t.Errorf("session %+v, floor %d", r.Active, r.Floor)
	}
	if r.Permissives != 0xFFFFFFFF || r.Flags != handshake.AllPermissives|handshake.GatewayAlive|handshake.DimensionsValid || r.Quality != 100 || r.UnitMode != 1 {
		t.Errorf("stand-ins %+v", r)
	}
	// The tail before all, the head after all.
	if b.diary[0] != "read 12+1" || b.diary[len(b.diary)-1] != "read 0+1" {
		t.Errorf("requests %v", b.diary)
	}
}

// A view that changes while it is read comes with two generations, whatever the
// controller offers.
func TestTornView(t *testing.T) {
	for _, m := range []*Mapping{small(), without(small(), "request.gen_head", "request.gen_tail")} {
		b := &bank{}
		copy(b.words[:], []uint16{7, 1, 5, 0, 5, 0, 0, 0x449C, 0, 0x4280, 41, 0, 7})
		p := dial(t, m, b)
		if _, err := request(t, p); err != nil {
			t.Fatal(err)
		}
		reads := 0
		b.before = func(b *bank, _ string) error {
			if reads++; reads == 3 { // the controller goes on to the next roll
				copy(b.words[:], []uint16{8, 1, 6, 0, 6, 0, 0, 0x449C, 0, 0x4280, 41, 0, 8})
			}
			return nil
		}
		var e *handshake.DecodeError
		if _, err := request(t, p); !errors.As(err, &e) || e.Cause != handshake.CauseGeneration {
			t.Errorf("got %v, want two generations", err)
		}
		if r, err := request(t, p); err != nil || r.Req != 6 {
			t.Errorf("the next read is %+v, %v", r, err)
		}
	}
}

func payload(t *testing.T, x handshake.Payload) []uint16 {
	t.Helper()
	w := make([]uint16, handshake.PayloadWords)
	if err := x.Encode(w); err != nil {
		t.Fatal(err)
	}
	return w
}

// What starts something is written last and apart; what was written reads back
// word for word, the fields without a tag among them.
func TestWrite(t *testing.T) {
	b := &bank{}
	p := dial(t, small(), b)
	want := payload(t, handshake.Payload{Kind: handshake.KindRecipe, Offer: 3, FeedLength: 119433, Req: 1205, Dwell: 650, Tag: "R1"})
	if err := p.Write(t.Context(), handshake.PAYLOAD, want); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(b.diary, []string{"write 110+3", "write 113+1"}) {
		t.Errorf("requests %v", b.diary)
	}
	if got := b.words[110:114]; !slices.Equal(got, []uint16{1, 0x9D33, 0x463A, 3}) { // 11943.3 is 463A9D33
		t.Errorf("registers %04X", got)
	}
	got := make([]uint16, handshake.PayloadWords)
	if err := p.Read(t.Context(), link.Span{Block: handshake.PAYLOAD, Dst: got}); err != nil || !slices.Equal(got, want) {
		t.Errorf("read back %04X, %v, want %04X", got, err, want)
	}
	b.words[111]++ // in the last place of a float
	b.words[112]++ // and twice as long
	if err := p.Read(t.Context(), link.Span{Block: handshake.PAYLOAD, Dst: got}); err != nil || slices.Equal(got, want) || handshake.Verify(handshake.PAYLOAD, got) != nil {
		t.Errorf("a changed setpoint reads back as what was written: %v", err)
	}
	b.diary = nil
	commit := make([]uint16, handshake.CommitWords)
	if err := (&handshake.Commit{Offer: 3, Req: 1205}).Encode(commit); err != nil {
		t.Fatal(err)
	}
	if err := p.Write(t.Context(), handshake.COMMIT, commit); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(b.diary, []string{"write 121+2", "write 120+1"}) {
		t.Errorf("requests %v", b.diary)
	}
}

// A value that its tag cannot hold is refused before anything is written.
func TestWriteRefused(t *testing.T) {
	m := small()
	i, _ := m.Of("payload.feed_length")
	m.Tags[i] = Tag{Field: "payload.feed_length", Type: Int16, Address: 111, Bit: -1, Unit: "mm", Scale: 0.1}
	b := &bank{}
	p := dial(t, m, b)
	err := p.Write(t.Context(), handshake.PAYLOAD, payload(t, handshake.Payload{Kind: handshake.KindRecipe, Offer: 3, FeedLength: 119433}))
	if link.ClassOf(err) != link.Refused || !strings.Contains(err.Error(), "payload.feed_length") || len(b.diary) > 0 {
		t.Errorf("got %v after %v", err, b.diary)
	}
	if err := p.Write(t.Context(), handshake.PAYLOAD, payload(t, handshake.Payload{Kind: handshake.KindRecipe, Offer: 3, FeedLength: 3000})); err != nil {
		t.Errorf("a shorter feed: %v", err)
	}
	if err := p.Write(t.Context(), handshake.REQ, make([]uint16, handshake.ReqWords)); link.ClassOf(err) != link.ConfigClass {
		t.Errorf("writing a block of the controller: %v", err)
	}
}

// A refusal before anything was written is one; after a part was, nobody knows.
func TestRefusalAfterAPart(t *testing.T) {
	refusal := &link.Error{Op: "write", Block: handshake.PAYLOAD, Class: link.Refused, Err: errors.New("no such register")}
	for _, c := range []struct {
		at     string
		want   link.Class
		closed bool
	}{{"write 110+3", link.Refused, false}, {"write 113+1", link.Unknown, true}} {
		b := &bank{}
		p := dial(t, small(), b)
		b.before = func(_ *bank, entry string) error {
			if entry == c.at {
				return refusal
			}
			return nil
		}
		err := p.Write(t.Context(), handshake.PAYLOAD, payload(t, handshake.Payload{Kind: handshake.KindRecipe, Offer: 3}))
		if link.ClassOf(err) != c.want || b.closed != c.closed {
			t.Errorf("%s: got %v, closed %t", c.at, err, b.closed)
		}
	}
}

// NaN in a tag is no view, and the connection lives on.
func TestNaN(t *testing.T) {
	b := &bank{}
	p := dial(t, small(), b)
	b.words[7] = 0x7FC0
	err := p.Read(t.Context(), link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)})
	if link.ClassOf(err) != link.Refused || !strings.Contains(err.Error(), "request.diameter") || !strings.Contains(err.Error(), "not a number") || b.closed {
		t.Errorf("got %v", err)
	}
}

// The one outcome that is shown stands in its place of the ring, and those
// before it are gone.
func TestOneOutcome(t *testing.T) {
	m := small()
	m.Tags = append(m.Tags,
		plain("outcome.out_idx", Uint32, 30), plain("outcome.roll_no", Uint32, 32), plain("outcome.outcome", Uint16, 34),
		plain("ack.up_to", Uint32, 140))
	b := &bank{}
	copy(b.words[:], []uint16{7, 1, 5, 0, 5, 0, 0, 0x449C, 0, 0x4280, 41, 0, 7})
	copy(b.words[30:], []uint16{70, 0, 1188, 0, 1})
	p := dial(t, waived(m), b)
	for acked, want := range map[uint16]uint32{0: 69, 68: 69, 70: 70, 99: 70} {
		b.words[140] = acked
		if r, err := request(t, p); err != nil || r.Produced != 70 || r.Acked != want {
			t.Errorf("acknowledged %d: produced %d, acknowledged %d, %v", acked, r.Produced, r.Acked, err)
		}
	}
	entries := [3][handshake.OutWords]uint16{}
	if err := p.Read(t.Context(), link.Span{Block: handshake.OUT, Entry: 5, Dst: entries[0][:]}, link.Span{Block: handshake.OUT, Entry: 6, Dst: entries[1][:]},
		link.Span{Block: handshake.OUT, Entry: 7, Dst: entries[2][:]}); err != nil {
		t.Fatal(err)
	}
	var o handshake.Outcome
	if err := handshake.DecodeOutcome(entries[1][:], &o); err != nil || o.Index != 70 || o.RollNo != 1188 || o.Outcome != handshake.Wrapped || o.Boot != 41 {
		t.Errorf("entry 6: %+v, %v", o, err)
	}
	for _, i := range []int{0, 2} {
		if handshake.DecodeOutcome(entries[i][:], &o) == nil {
			t.Errorf("entry %d is an outcome too", 5+i)
		}
	}
}

// Without a boot number the controller is known by what it keeps of ours; when
// it keeps nothing any more it counts as another start.
func TestBootStandIn(t *testing.T) {
	b := &bank{}
	copy(b.words[:], []uint16{7, 1, 5, 0, 5, 0, 0, 0x449C, 0, 0x4280, 0, 0, 7})
	p := dial(t, without(small(), "request.boot_id"), b)
	boot := func() uint32 {
		r, err := request(t, p)
		if err != nil {
			t.Fatal(err)
		}
		return r.Boot
	}
	first := boot()
	if first == 0 || boot() != first {
		t.Errorf("the stand-in changes: %d", first)
	}
	hello := make([]uint16, handshake.HelloWords)
	if err := (&handshake.Hello{Session: handshake.Session{Epoch: 1, Nonce: 2}, Boot: first}).Encode(hello); err != nil {
		t.Fatal(err)
	}
	if err := p.Write(t.Context(), handshake.HELLO, hello); err != nil {
		t.Fatal(err)
	}
	if got := boot(); got != first {
		t.Errorf("after HELLO it is %d, want %d", got, first)
	}
	clear(b.words[100:106])
	if got := boot(); got <= first {
		t.Errorf("after the controller forgot it is %d, want more than %d", got, first)
	}
}

// Where the controller gives no verdict it is drawn from the phase, and from
// nothing else: a commit for another request proves nothing.
func TestVerdictFromPhase(t *testing.T) {
	for _, c := range []struct {
		phase     uint16
		req       uint16
		offer     uint16
		want      handshake.Verdict
		wantOffer uint16
	}{
		{uint16(handshake.Run), 5, 3, handshake.Accepted, 3},
		{uint16(handshake.Held), 5, 3, handshake.HeldVerdict, 3},
		{uint16(handshake.Await), 5, 3, handshake.NoVerdict, 0},
		{uint16(handshake.ByHand), 5, 3, handshake.NoVerdict, 0},
		{uint16(handshake.Run), 4, 3, handshake.NoVerdict, 0},
		{uint16(handshake.Run), 5, 0, handshake.NoVerdict, 0},
	} {
		b := &bank{}
		copy(b.words[:], []uint16{7, c.phase, 5, 0, 5, 0, 0, 0x449C, 0, 0x4280, 41, 0, 7})
		copy(b.words[120:], []uint16{c.offer, c.req, 0})
		copy(b.words[102:], []uint16{9, 0, 1, 0})
		r, err := request(t, dial(t, small(), b))
		if err != nil || r.ResultVerdict != c.want || r.ResultOffer != c.wantOffer {
			t.Errorf("%+v: got %s on offer %d, %v", c, r.ResultVerdict, r.ResultOffer, err)
		}
		if c.want != handshake.NoVerdict && r.ResultSession != (handshake.Session{Epoch: 9, Nonce: 1}) {
			t.Errorf("%+v: session %+v", c, r.ResultSession)
		}
	}
}

// Tags near each other are read in one request, none is split, and a write
// touches nothing between two tags.
func TestStretches(t *testing.T) {
	m := &Mapping{Tags: []Tag{
		plain("a", Uint16, 10), plain("b", Float64, 11), plain("c", Uint32, 17), plain("d", Uint16, 140), plain("e", Uint32, 133),
	}}
	show := func(s []stretch) (out []string) {
		for _, x := range s {
			out = append(out, fmt.Sprintf("%d+%d%v", x.address, x.words, x.tags))
		}
		return out
	}
	r := &registers{mapping: m}
	all := []int{0, 1, 2, 3, 4}
	for _, c := range []struct {
		gap, most int
		want      []string
	}{
		{0, 125, []string{"10+5[0 1]", "17+2[2]", "133+2[4]", "140+1[3]"}},
		{2, 125, []string{"10+9[0 1 2]", "133+2[4]", "140+1[3]"}},
		{120, 125, []string{"10+125[0 1 2 4]", "140+1[3]"}},
		{0, 4, []string{"10+1[0]", "11+4[1]", "17+2[2]", "133+2[4]", "140+1[3]"}},
	} {
		if got := show(r.stretches(all, c.gap, c.most)); !slices.Equal(got, c.want) {
			t.Errorf("gap %d, most %d: got %v, want %v", c.gap, c.most, got, c.want)
		}
	}
}

// A mapping that its check refuses makes no dialer, and all is told.
func TestNewRefuses(t *testing.T) {
	m := small()
	m.Order, m.Waived = "", nil
	_, err := New(m, Registers, nil)
	for _, want := range []string{"word order missing", "S9 is not given"} {
		if link.ClassOf(err) != link.ConfigClass || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// Bits that share a register are written together, the others as zero.
func TestBitsOfOneRegister(t *testing.T) {
	m := small()
	for bit, at := range []int{3, 15} {
		m.Tags = append(m.Tags, Tag{Field: fmt.Sprintf("payload.groups.bit%d", 7*bit), Type: Bool, Address: 150, Bit: at, Scale: 1})
	}
	b := &bank{}
	p := dial(t, waived(m), b)
	b.words[150] = 0xFFFF
	want := payload(t, handshake.Payload{Kind: handshake.KindRecipe, Offer: 1, Groups: 1<<7 | 1<<1})
	if err := p.Write(t.Context(), handshake.PAYLOAD, want); err != nil {
		t.Fatal(err)
	}
	if got := b.words[150]; got != 1<<15 {
		t.Errorf("register %04X, want 8000", got)
	}
	got := make([]uint16, handshake.PayloadWords)
	if err := p.Read(t.Context(), link.Span{Block: handshake.PAYLOAD, Dst: got}); err != nil || !slices.Equal(got, want) {
		t.Errorf("read back %04X, %v, want %04X", got, err, want)
	}
}

// space is a server's nodes by identifier.
type space map[string]any

func (s space) ReadValues(_ context.Context, _ handshake.ID, nodes []string, values []any) error {
	for i, n := range nodes {
		values[i] = s[n]
	}
	return nil
}

func (s space) WriteValues(_ context.Context, _ handshake.ID, nodes []string, values []any) error {
	for i, n := range nodes {
		s[n] = values[i]
	}
	return nil
}

func (s space) Close() error { return nil }

// Every type goes to its node as itself and comes back; a node of another type
// is refused by name.
func TestNodes(t *testing.T) {
	values := map[Type]any{
		Bool: true, Int16: int16(-2), Uint16: uint16(65535), Int32: int32(-3), Uint32: uint32(1 << 31),
		Int64: int64(-4), Uint64: uint64(1 << 63), Float32: float32(-1.5), Float64: 2.25, Text: "R1",
	}
	m := &Mapping{}
	s := space{}
	var all []int
	for i, typ := range Types() {
		m.Tags = append(m.Tags, Tag{Field: string(typ), Type: typ, Node: "ns=1;s=" + string(typ)})
		s[m.Tags[i].Node] = values[typ]
		all = append(all, i)
	}
	n := OverNodes(s, m)
	got := make([]Value, len(all))
	if err := n.Read(t.Context(), handshake.REQ, all, got); err != nil {
		t.Fatal(err)
	}
	clear(s)
	if err := n.Write(t.Context(), handshake.PAYLOAD, all, got); err != nil {
		t.Fatal(err)
	}
	for typ, want := range values {
		if back := s["ns=1;s="+string(typ)]; back != want {
			t.Errorf("%s: wrote %v (%T), want %v (%T)", typ, back, back, want, want)
		}
	}
	for _, typ := range Types() {
		for _, other := range Types() {
			s["ns=1;s="+string(typ)] = values[other]
			err := n.Read(t.Context(), handshake.REQ, all, got)
			if typ == other && err != nil || typ != other && (link.ClassOf(err) != link.Refused || !strings.Contains(err.Error(), string(typ))) {
				t.Errorf("%s for a node of %s: %v", other, typ, err)
			}
		}
		s["ns=1;s="+string(typ)] = values[typ]
	}
	s["ns=1;s=text"] = nil
	if err := n.Read(t.Context(), handshake.REQ, all, got); link.ClassOf(err) != link.Refused {
		t.Errorf("an empty node: %v", err)
	}
}

func BenchmarkReadRequest(b *testing.B) {
	m := small()
	bk := &bank{before: func(k *bank, _ string) error { k.diary = k.diary[:0]; return nil }}
	d, err := New(m, Registers, func(context.Context) (Tags, error) { return OverRegisters(bk, m, testLimits), nil })
	if err != nil {
		b.Fatal(err)
	}
	p, err := d.Dial(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	span := link.Span{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)}
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Read(b.Context(), span); err != nil {
			b.Fatal(err)
		}
	}
}
