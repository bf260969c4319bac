package replay_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// configured is a line's settings under a hash.
type configured struct {
	hash uint32
	line *recipe.Line
}

// configurations differ in what decisions hang on.
func configurations(t *testing.T) (out []configured) {
	for i, set := range []map[string]string{
		nil,
		{"lines.0.limits.permissives": "0x3D"},
		{"lines.0.limits.permissives": "0"},
		{"lines.0.limits.scan_quality": "0.95"},
		{"lines.0.limits.scan_age": "20 s"},
		{"lines.0.limits.ovality": "0.001"},
		{"lines.0.limits.step": "0.01"},
		{"lines.0.limits.width": "16 in..50 in"},
		{"lines.0.wrap.speed": "1.2 m/s", "lines.0.limits.step": "0.02"},
		{"lines.0.equipment.crimp": "absent"},
	} {
		out = append(out, configured{uint32(i + 1), line(t, set)})
	}
	return out
}

// often draws the first value in most cases.
func often[T any](r *rand.Rand, values ...T) T {
	if r.IntN(8) > 0 {
		return values[0]
	}
	return values[r.IntN(len(values))]
}

func oneOf[T any](r *rand.Rand, values ...T) T { return values[r.IntN(len(values))] }

// view is one request block with the measurement that the shell makes of it.
func view(d *rand.Rand, token handshake.Token, roll uint32) cycle.View {
	r := handshake.Request{
		Boot: token.Boot, Req: token.Req, RollNo: roll, Phase: handshake.Await, Floor: 100, Tag: often[handshake.Tag](d, "T-7", "", "T\x9f7", "T-7\x00\x00x"),
		Flags:       handshake.GatewayAlive | often(d, handshake.AllPermissives|handshake.DimensionsValid, handshake.AllPermissives, handshake.DimensionsValid, 0),
		Permissives: often[uint32](d, math.MaxUint32, 0x3F, 0x3D, 0x3C, 0),
		Diameter:    9000 + d.Uint32N(5000), Width: often[uint32](d, 15500, 8128, 12192, 14000, 22000, 30000),
	}
	v := cycle.View{Request: r, Roll: recipe.Roll{
		Number: roll, Tag: r.Tag.String(), Diameter: float64(r.Diameter) / 1e4, DiameterMax: float64(r.Diameter) / 1e4, DiameterU: 5e-4,
		Width: float64(r.Width) / 1e4, WidthMedian: float64(r.Width) / 1e4, WidthU: 5e-4,
		Quality: often(d, 1, 0.9, 0.5), Age: often[float64](d, 1, 60, 1000),
		Ovality: often(d, 0, 0.002, 0.5),
		Grade:   often(d, 1, 4, 99), Core: often(d, 1, 0, 99),
	}}
	s := &v.Stand
	s.Permissives, s.Mode, s.State = r.Permissives, often(d, 1, 2, 0), 6
	s.Platen = 176.7
	for i := range s.Ready {
		s.Ready[i], s.Outer[i] = d.IntN(30) > 0, 1
	}
	bad := oneOf(d, math.NaN(), math.Inf(1), math.Inf(-1))
	switch often(d, "nothing", "uncertainty", "quality", "age", "platen", "ovality", "outer") {
	case "uncertainty":
		v.Roll.DiameterU = bad
	case "quality":
		v.Roll.Quality = bad
	case "age":
		v.Roll.Age = bad
	case "platen":
		s.Platen = bad
	case "ovality":
		v.Roll.Ovality = bad
	case "outer":
		s.Outer[d.IntN(6)] = bad
	}
	return v
}

// before is what happened before the request at hand.
type before struct {
	holdAll   bool
	outcome   uint32          // newest roll with an outcome, 0 none
	previous  *record.Request // accepted
	byPerson  []uint16        // payload that a person chose for it, or nil
	rejection []uint16        // of earlier offers for the request
}

// records tells what happened as a line with a configuration would have it.
func (b *before) records(t *testing.T, c configured, v *cycle.View) (out []record.Record) {
	session := handshake.Session{Epoch: 1, Nonce: 5}
	out = append(out, record.Session{Session: session, Boot: v.Request.Boot})
	offer := uint16(0)
	closed := func(r record.Request, words []uint16, origin handshake.Origin, verdict handshake.Verdict, reason uint16) {
		offer++
		name := record.OfferName{Session: session, Offer: offer}
		out = append(out, r,
			record.Intent{Token: r.Token, Roll: r.Roll, Offer: name, Form: handshake.KindRecipe, Origin: origin, ConfigHash: c.hash, Payload: words},
			record.Verdict{Roll: r.Roll, Offer: name, Verdict: verdict, Reason: reason})
	}
	if b.previous != nil {
		words, origin := b.byPerson, handshake.Override
		if words == nil {
			roll, stand := b.previous.Measurement()
			var rec recipe.Recipe
			recipe.Compute(c.line, &roll, &stand, &rec)
			p := handshake.Payload{Kind: handshake.KindRecipe, Origin: handshake.Computed, ConfigHash: c.hash}
			cycle.Fill(&p, &rec.Setpoints)
			words, origin = make([]uint16, handshake.PayloadWords), handshake.Computed
			if err := p.Encode(words); err != nil {
				t.Fatal(err)
			}
		}
		closed(*b.previous, words, origin, handshake.Accepted, 0)
	}
	if b.outcome != 0 {
		out = append(out, record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: b.outcome, Boot: v.Request.Boot, Outcome: handshake.Wrapped}})
	}
	blank := make([]uint16, handshake.PayloadWords)
	if err := (&handshake.Payload{}).Encode(blank); err != nil {
		t.Fatal(err)
	}
	for _, reason := range b.rejection {
		closed(record.Request{Token: v.Request.Token(), Roll: v.Request.RollNo}, blank, handshake.Computed, handshake.Rejected, reason)
	}
	return append(out, record.Hold{On: b.holdAll})
}

// looksOn returns the records that a machine in shadow makes of a view, after
// the ones that it recovers.
func looksOn(t *testing.T, c configured, recovered []record.Record, v cycle.View) []record.Record {
	m := cycle.New(cycle.Config{Line: c.line, ConfigHash: c.hash, Times: cycle.Times{Poll: time.Second, Heartbeat: time.Second, Stale: time.Minute, Verdict: time.Second}})
	out := slices.Clone(recovered)
	for i, r := range recovered {
		if err := m.Recover(record.Stored{Seq: uint64(i + 1), Record: r}); err != nil {
			t.Fatal(err)
		}
	}
	queue := []cycle.Event{cycle.LinkUp{}}
	for n := 0; n < 30; n++ {
		ev := cycle.Event(cycle.Tick{})
		if len(queue) > 0 {
			ev, queue = queue[0], queue[1:]
		}
		for _, a := range m.Step(cycle.Moment{Mono: time.Duration(n) * time.Second}, ev) {
			switch a := a.(type) {
			case cycle.Append:
				b, err := record.Marshal(a.Record)
				if err != nil {
					t.Fatal(err)
				}
				r, err := record.Unmarshal(a.Record.Kind(), b)
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, r)
				if _, ok := r.(record.Shadow); ok {
					return out
				}
			case cycle.FetchView:
				// Each read is a publication of its own: what contradicts the records is
				// believed when a second one says the same.
				v.Request.Tick++
				v.Request.GenHead++
				v.Request.GenTail = v.Request.GenHead
				queue = append(queue, v)
			case cycle.Halt:
				t.Fatalf("the machine halts: %s", a.Reason)
			}
		}
	}
	t.Fatal("the machine makes no shadow recipe")
	return nil
}

// lastCase is the case of the newest request of records.
func lastCase(t *testing.T, records []record.Record) *replay.Case {
	var h record.History
	var rolls []*record.Roll
	for i, r := range records {
		finished, err := h.Add(record.Stored{Seq: uint64(i + 1), Record: r})
		if err != nil {
			t.Fatal(err)
		}
		rolls = append(rolls, finished...)
	}
	rolls = append(rolls, h.Rest()...)
	for _, r := range slices.Backward(rolls) {
		if len(r.Rounds) > 0 {
			cases, err := replay.Cases(r)
			if err != nil {
				t.Fatal(err)
			}
			return cases[len(cases)-1]
		}
	}
	t.Fatal("no case")
	return nil
}

// sameSide compares two sides bit by bit, but for the hash of the
// configuration, which a replay does not offer by.
func sameSide(a, b *replay.Side) error {
	var p, q handshake.Payload
	for _, s := range []struct {
		words []uint16
		p     *handshake.Payload
	}{{a.Words, &p}, {b.Words, &q}} {
		if err := handshake.DecodePayload(s.words, s.p); err != nil {
			return err
		}
		s.p.ConfigHash = 0
	}
	if p != q || a.Held != b.Held || a.Reason != b.Reason {
		return fmt.Errorf("payload\n%+v\n%+v", p, q)
	}
	if len(a.Findings)+len(b.Findings) > 0 && !reflect.DeepEqual(a.Findings, b.Findings) {
		return fmt.Errorf("findings\n%+v\n%+v", a.Findings, b.Findings)
	}
	return nil
}

// Replay of a recorded request is what the machine recorded, and through
// another configuration what a machine with that one does.
func TestReplayIsTheMachine(t *testing.T) {
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	all := configurations(t)
	var p handshake.Payload
	if err := handshake.DecodePayload(decided(t, all[0].line, &replay.Case{Request: request(5, 1, 1.0)}).Words, &p); err != nil {
		t.Fatal(err)
	}
	p.Origin, p.Dwell = handshake.Override, 1234
	chosen := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(chosen); err != nil {
		t.Fatal(err)
	}
	verdicts := map[string]int{}
	for seed := range uint64(2000) {
		d := rand.New(rand.NewPCG(seed, 3))
		v := view(d, handshake.Token{Boot: 3, Req: 20}, 9)
		b := before{holdAll: often(d, false, true)}
		if d.IntN(2) == 0 {
			b.outcome = often[uint32](d, 7, 8, 9, 10)
			v.Request.Produced, v.Request.Acked = 1, 1
			v.Request.RollNo = max(v.Request.RollNo, b.outcome)
			v.Roll.Number = v.Request.RollNo
		}
		if d.IntN(2) == 0 {
			r := request(6, 10, 0.9+0.4*d.Float64())
			r.Token.Boot = 3
			b.previous = &r
			if d.IntN(4) == 0 {
				b.byPerson = chosen
			}
		}
		if d.IntN(8) == 0 {
			for range 1 + d.IntN(3) {
				b.rejection = append(b.rejection, oneOf[uint16](d, 10, 12, 13, 20, 65, 99))
			}
		}
		mine, other := oneOf(d, all...), oneOf(d, all...)

		c := lastCase(t, looksOn(t, mine, b.records(t, mine, &v), v))
		again, known, err := replay.Decide(mine.line, c)
		if err != nil || !known {
			t.Fatal(known, err)
		}
		if err := sameSide(c.Recorded, again); err != nil {
			t.Fatalf("seed %d: under its own configuration: %v", seed, err)
		}
		would := lastCase(t, looksOn(t, other, b.records(t, other, &v), v)).Recorded
		through, _, err := replay.Decide(other.line, c)
		if err != nil {
			t.Fatal(err)
		}
		if err := sameSide(would, through); err != nil {
			t.Fatalf("seed %d: through another configuration: %v", seed, err)
		}
		verdicts[c.Recorded.Verdict()+" "+through.Verdict()]++
	}
	if verdicts["go go"] < 200 || verdicts["hold hold"] < 200 || verdicts["go hold"] < 20 || verdicts["hold go"] < 20 {
		t.Errorf("verdicts %v: this proves little", verdicts)
	}
}

// The controller says that not all permissives are on. A configuration that
// does not ask for the one that is off does not change that.
func TestTheControllersFlagHolds(t *testing.T) {
	r := request(5, 1, 1.0)
	r.Permissives, r.Stand.Permissives = 0x3D, 0x3D
	*r.Flags = handshake.DimensionsValid
	recorded := decided(t, line(t, nil), &replay.Case{Request: r})
	got := cases(t, r, intent(r, 1, recorded))[0]
	through := decided(t, line(t, map[string]string{"lines.0.limits.permissives": "0x3D"}), got)
	if !through.Held || through.Reason != handshake.HoldPermissive || !slices.Equal(codes(through), []recipe.Code{cycle.CodePermissives}) {
		t.Errorf("verdict %s, reason %s, findings %v; want a hold for a permissive, by the controller's flag", through.Verdict(), through.Reason, codes(through))
	}
}

// A record of an earlier version lacks the controller's flags: where they
// decide, replay says that it does not know.
func TestRecordsWithoutFlags(t *testing.T) {
	strict, lenient := line(t, nil), line(t, map[string]string{"lines.0.limits.permissives": "0x3D"})
	off := request(5, 1, 1.0)
	off.Permissives, off.Stand.Permissives = 0x3D, 0x3D
	*off.Flags = handshake.DimensionsValid
	for _, c := range []struct {
		name    string
		request record.Request
		by      *recipe.Line
		through *recipe.Line
		known   bool
	}{
		{"a recipe tells that both flags were set", request(5, 1, 1.0), strict, lenient, true},
		{"a hold by a permissive of the word, through a line that does not ask for it", off, strict, lenient, false},
		{"the same through its own line", off, strict, strict, true},
		{"a hold by the flag alone", off, lenient, lenient, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := decided(t, c.by, &replay.Case{Request: c.request})
			r := c.request
			r.Flags = nil
			got := cases(t, r, intent(r, 1, s))[0]
			side, known, err := replay.Decide(c.through, got)
			if err != nil || known != c.known {
				t.Fatalf("known %v, want %v: %v", known, c.known, err)
			}
			if known {
				want := decided(t, c.through, &replay.Case{Request: c.request})
				if err := sameSide(side, want); err != nil {
					t.Error(err)
				}
			}
		})
	}
}
