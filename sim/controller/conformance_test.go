package controller

import (
	"bufio"
	"bytes"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

// worked reads the worked example.
func worked(t *testing.T) map[string][]uint16 {
	t.Helper()
	raw, err := os.ReadFile("testdata/worked.txt")
	if err != nil {
		t.Fatal(err)
	}
	blocks, name := map[string][]uint16{}, ""
	for sc := bufio.NewScanner(bytes.NewReader(raw)); sc.Scan(); {
		if strings.HasPrefix(sc.Text(), "#") {
			continue
		}
		for _, f := range strings.Fields(sc.Text()) {
			v, err := strconv.ParseUint(f, 16, 16)
			if err != nil || len(f) != 4 {
				name = f
				continue
			}
			blocks[name] = append(blocks[name], uint16(v))
		}
	}
	return blocks
}

func TestWorkedExample(t *testing.T) {
	w := worked(t)
	m := Fresh()
	m.data = retained{
		Boot: 40, Roll: 1190, Req: 1204, Floor: 6, Phase: PhaseAwait, Produced: 1189, Acked: 1188,
		Roll1: *roll("R2026-001190", 12504, 16020, 0),
	}
	m.crc = m.data.checksum()
	c := Start(DefaultConfig(), m, 1)
	in := Inputs{Permissives: allOn, RollPresent: true}
	var a Area
	c.Scan(880_000, &a, &in)
	if c.Boot() != 41 || c.ReqID() != 1205 || c.RollNo() != 1190 {
		t.Fatalf("boot %d, request %d, roll %d", c.Boot(), c.ReqID(), c.RollNo())
	}
	copy(a.Hello[:], w["HELLO"])
	c.Scan(880_100, &a, &in)
	if c.Active() != (Session{7, 0x9E3779B9}) {
		t.Fatalf("session %v", c.Active())
	}
	copy(a.Heartbeat[:], w["HEARTBEAT"])
	c.Scan(880_121, &a, &in)
	// Offers 1 and 2 came before; the third needs no memory of them.
	copy(a.Payload[:], w["PAYLOAD"])
	copy(a.Commit[:], w["COMMIT"])
	e := answered(c.Scan(880_125, &a, &in))
	if e == nil || e.Verdict != Accepted || c.Phase() != PhaseRun {
		t.Fatalf("not accepted: %+v", e)
	}
	r := e.Setpoints()
	want := Recipe{
		Groups: 0xFF, Slot: 2, WrapperWidth: 1.85, FeedLength: 11.9433, FeedCounts: 23887, Layers: 3, Overlap: 0.15,
		WrapSpeed: 0.6, TurningHz: 25.54, FeedHz: 31.2, CrimpTurns: 1.25, CrimpTime: 11.9, CrimpTurningHz: 17.02,
		CrimperHz: 28.9, CentreHeight: 0.7668, Temperature: 176.7, Dwell: 6.5, InnerHead: 1.25, OuterHead: 1.219,
		Glue: 0.085, Gross: 1571.2, ScaleTolerance: 0.015, Centring: -0.0012, ContactPressure: 10300,
		CloseLeast: 168, CloseGreatest: 185,
	}
	if r != want {
		t.Errorf("read %+v\nwant %+v", r, want)
	}
	copy(a.Ack[:], w["ACK"])
	c.Scan(880_127, &a, &in)
	if _, acked := c.Outcomes(); acked != 1189 {
		t.Errorf("acknowledged %d, want 1189", acked)
	}
}

func TestChecksum(t *testing.T) {
	// CRC-32 (IEEE 802.3) of "123456789" is CBF43926; nine bytes do not make
	// words, so the check is over its first eight, 9AE0DAAF.
	if got := registers.Checksum([]uint16{0x3132, 0x3334, 0x3536, 0x3738}); got != 0x9AE0DAAF {
		t.Errorf("%08X", got)
	}
	for name, w := range worked(t) {
		if n := len(w) - 2; registers.Checksum(w[:n]) != long(w, n) {
			t.Errorf("%s of the worked example has another checksum", name)
		}
	}
}

// checkCase is one offer and what the program says to it.
type checkCase struct {
	name    string
	prepare func(*bench)
	payload func([]uint16)
	commit  func([]uint16)
	after   func(*bench)
	verdict OfferVerdict
	reason  uint16
}

func checkCases() []checkCase {
	set := func(at int, v uint16) func([]uint16) { return func(w []uint16) { w[at] = v } }
	flip := func(at int) func([]uint16) { return func(w []uint16) { w[at] ^= 1 } }
	return []checkCase{
		{name: "good", verdict: Accepted},
		{name: "payload damaged", after: func(b *bench) { b.area.Payload[60] ^= 4 }, verdict: Rejected, reason: 10},
		{name: "payload is another than committed", commit: flip(9), verdict: Rejected, reason: 10},
		{name: "payload type", payload: flip(0), verdict: Rejected, reason: 10},
		{name: "payload layout", payload: set(1, 1), verdict: Rejected, reason: 10},
		{name: "payload kind", payload: set(13, 3), verdict: Rejected, reason: 10},
		{name: "epoch", payload: flip(3), verdict: Rejected, reason: 11},
		{name: "nonce", payload: flip(5), verdict: Rejected, reason: 11},
		{name: "boot", payload: flip(7), verdict: Rejected, reason: 11},
		{name: "request", payload: flip(9), verdict: Rejected, reason: 11},
		{name: "roll", payload: flip(11), verdict: Rejected, reason: 11},
		{name: "offer", payload: flip(12), verdict: Rejected, reason: 11},
		{name: "tag", payload: flip(21), verdict: Rejected, reason: 12},
		{name: "tag, last characters", payload: flip(28), verdict: Rejected, reason: 12},
		{name: "diameter", payload: flip(30), verdict: Rejected, reason: 12},
		{name: "width", payload: flip(32), verdict: Rejected, reason: 12},
		{name: "as old as allowed", after: func(b *bench) { b.heartbeat(); b.tick += 198 }, verdict: Accepted},
		{name: "too old", after: func(b *bench) { b.heartbeat(); b.tick += 199 }, verdict: Rejected, reason: 13},
		{name: "from the future", commit: func(w []uint16) { copy(w[10:], standin.Two(1<<31)) }, verdict: Rejected, reason: 13},
		{name: "gateway silent", prepare: func(b *bench) { b.tick += 260; b.scan() }, verdict: Rejected, reason: 14},
		{name: "permissive 0", prepare: func(b *bench) { b.in.Permissives = 0x3E }, verdict: Rejected, reason: 20},
		{name: "permissives 3 and 5", prepare: func(b *bench) { b.in.Permissives = 0x17 }, verdict: Rejected, reason: 23},
		{name: "hold", payload: func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 7 }, verdict: HeldByRecipe},
		{
			name: "hold with a permissive off", prepare: func(b *bench) { b.in.Permissives = 0 },
			payload: func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 6 }, verdict: HeldByRecipe,
		},
		{
			name: "hold to a silent gateway", prepare: func(b *bench) { b.tick += 260; b.scan() },
			payload: func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 6 }, verdict: Rejected, reason: 14,
		},
		{
			name:    "permissive that is not needed",
			prepare: func(b *bench) { b.c.cfg.Permissives, b.in.Permissives = 0x1F, 0x1F }, verdict: Accepted,
		},
		{
			name:    "group not in force is ignored",
			payload: func(w []uint16) { w[66] &^= 1 << registers.GroupGlue; w[58] = 0xFFFF }, verdict: Accepted,
		},
	}
}

// Each check of an offer fails alone, with its reason.
func TestEachCheckAlone(t *testing.T) {
	for _, tc := range checkCases() {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t)
			if tc.prepare != nil {
				tc.prepare(b)
			}
			b.offer(1, tc.payload, tc.commit)
			if tc.after != nil {
				tc.after(b)
			}
			b.want(b.scan(), tc.verdict, tc.reason)
			wantPhase := map[OfferVerdict]Phase{Accepted: PhaseRun, Rejected: PhaseAwait, HeldByRecipe: PhaseHeld}[tc.verdict]
			if b.c.Phase() != wantPhase {
				t.Errorf("phase %s, want %s", b.c.Phase(), wantPhase)
			}
			if b.request().LastOffer != 1 {
				t.Errorf("last offer %d, want 1 whatever the verdict", b.request().LastOffer)
			}
		})
	}
}

// An epoch far above the floor, or near the end of its numbers, is refused.
func TestEpochIsBounded(t *testing.T) {
	b := newBench(t)
	floor := b.c.Active().Epoch
	for epoch, taken := range map[uint32]bool{floor + 1_048_576: true, floor + 1_048_577: false, 4_000_000_001: false, 0xFFFFFFFF: false} {
		b := newBench(t)
		copy(b.area.Hello[:], standin.Hello(epoch, 9, b.c.Boot()))
		b.scan()
		if got := b.c.Active().Epoch == epoch; got != taken {
			t.Errorf("epoch %d over floor %d taken: %t", epoch, floor, got)
		}
	}
}

// The blocks of the controller in the worked example read as its text says.
func TestWorkedBlocksOfTheController(t *testing.T) {
	w := worked(t)
	req, out := registers.In(registers.Request, w["REQ"]), registers.In(registers.Outcome, w["OUT"])
	if !req.Whole() || !req.LayoutKnown() || !out.Whole() || !out.LayoutKnown() {
		t.Fatal("the examples are not whole")
	}
	for name, pair := range map[string][2]float64{
		"cooler platen":  {req.SI("platen_temperature"), 174.2},
		"hotter platen":  {req.SI("platen_hot_temperature"), 177.5},
		"diameter":       {req.SI("diameter"), 1.2504},
		"overhang":       {out.SI("measured_overhang"), 0.124},
		"press pressure": {out.SI("press_pressure"), 4e6},
		"outcome":        {float64(out.Get("outcome")), 1},
		"dwell used":     {out.SI("used_header_dwell"), 6.5},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-9 {
			t.Errorf("%s is %g, want %g", name, pair[0], pair[1])
		}
	}
}

// limit is what the data sheet allows of a field.
func limit(f *registers.Field) Limit {
	c := DefaultConfig()
	return c.limitOf(f)
}

// Each limit of the data sheet is kept alone, the last number on either side of it
// taken and the next refused with its field, and no limit lets a platen be hotter
// than 200.0 °C.
func TestEachLimitAlone(t *testing.T) {
	for _, f := range registers.Setpoints() {
		l := limit(&f)
		try := func(v int64, accepted bool) {
			t.Helper()
			b := newBench(t)
			b.offer(1, func(w []uint16) {
				f.PutNumber(w, 0, v)
				switch f.Name { // both closing temperatures go together
				case "closing_least":
					w[67] = 2000
				case "closing_greatest":
					w[59] = 400
				}
			}, nil)
			e := answered(b.scan())
			if want := uint16(60 + f.Register - 33); e == nil || (e.Verdict == Accepted) != accepted || !accepted && e.Reason != want {
				t.Errorf("%s %d: %+v, want accepted %t", f.Name, v, e, accepted)
			}
		}
		if areBits(&f) {
			try(l.Max, true)
			try(l.Max+1, false)
			continue
		}
		bottom, top := f.Range()
		if l.Min > bottom && f.Name != "closing_greatest" { // one below its least is below the other's too
			try(l.Min, true)
			try(l.Min-1, false)
		}
		if l.Max < top {
			try(l.Max, true)
			try(l.Max+1, false)
		}
	}
	for _, at := range []int{53, 59, 67} {
		b := newBench(t)
		for i := range b.c.cfg.Limits {
			if l := &b.c.cfg.Limits[i]; hot(registers.Payload.Shape().Field(l.Field)) {
				l.Max = 60000
			}
		}
		b.offer(1, func(w []uint16) { w[59], w[67] = 1999, 2000; w[at] = 2001 }, nil)
		b.want(b.scan(), Rejected, uint16(60+at-33))
	}
}

// As delivered a recipe is rejected with the first field whose limit was not
// entered, and a press of start does nothing.
func TestDeliveredAllowsNothing(t *testing.T) {
	for entered := range DataSheet() {
		b := newBench(t)
		b.c.cfg.Limits = DataSheet()[:entered]
		b.offer(1, nil, nil)
		f := registers.Payload.Shape().Field(DataSheet()[entered].Field)
		b.want(b.scan(), Rejected, uint16(60+f.Register-33))
	}
	b := newBench(t)
	b.c.cfg.Falls = Delivered().Falls
	b.accept(1)
	b.in.Start = true
	b.scan()
	if b.c.Running() {
		t.Error("outputs came on although nobody entered what they fall to")
	}
}

// The block LIMITS says what check 8 does, and is there with its flag alone.
func TestLimitsAreTold(t *testing.T) {
	b := newBench(t)
	g := NewImage(DefaultBases())
	g.Publish(b.c)
	w, err := g.Read(4200, 80)
	if err != nil || b.request().Flags&FlagLimits == 0 {
		t.Fatalf("flags %b, %v", b.request().Flags, err)
	}
	told := registers.In(registers.Limits, w)
	if !told.Whole() || !told.LayoutKnown() || w[3] != 0 {
		t.Error("the block is not whole")
	}
	for _, f := range registers.Setpoints() {
		for _, end := range []struct {
			name  string
			first int
			n     int64
		}{{f.Least(), 4, limit(&f).Min}, {f.Greatest(), 39, limit(&f).Max}} {
			at := registers.Limits.Shape().Field(end.name).Register
			if got := told.Number(end.name); got != end.n || at != end.first+f.Register-33 {
				t.Errorf("%s at %d is %d, want %d at %d", end.name, at, got, end.n, end.first+f.Register-33)
			}
		}
	}
	b.c.cfg.ShowLimits = false
	b.in.Measured = roll("B-1", 10161, 15240, b.tick)
	b.scan()
	if b.request().Flags&FlagLimits != 0 {
		t.Error("the flag is on although the block is not there")
	}
}

// The worked example of the text, block LIMITS.
func TestWorkedLimits(t *testing.T) {
	w := worked(t)["LIMITS"]
	v := registers.In(registers.Limits, w)
	if !v.Whole() || v.Get("gen") != 5 {
		t.Fatal("the example is not whole")
	}
	for name, want := range map[string]int64{
		"least_slot": 1, "greatest_slot": 6, "least_wrapper_width": 6000, "greatest_wrapper_width": 25400, "least_feed_length": 5000,
		"greatest_feed_length": 400000, "least_feed_counts": 1000, "least_layers": 100, "least_roll_centre": 3000,
		"least_centring_offset": -200, "greatest_centring_offset": 200, "greatest_header_temperature": 2000,
		"greatest_closing_greatest": 2000, "greatest_groups": 0xFF, "greatest_vacuum_zones": 0x3F,
	} {
		if got := v.Number(name); got != want {
			t.Errorf("%s is %d, want %d", name, got, want)
		}
	}
}

// Half-written blocks, in every mixture of old and new, are never accepted.
func TestPartsOfPayloadAndCommit(t *testing.T) {
	for n := 0; n <= registers.PayloadWords; n++ {
		for _, newFirst := range []bool{true, false} {
			b := newBench(t)
			b.offer(1, func(w []uint16) { w[33], w[34], w[53], w[77] = 5, 20320, 1500, 0x1111 }, nil)
			old := b.area.Payload
			b.offer(2, nil, nil)
			full := b.area.Payload
			mix := old
			if newFirst {
				copy(mix[:n], full[:n])
			} else {
				copy(mix[n:], full[n:])
			}
			b.area.Payload = mix
			e := answered(b.scan())
			if e == nil {
				t.Fatal("commit was not answered")
			}
			if accepted := e.Verdict == Accepted; accepted != (mix == full) {
				t.Errorf("payload cut at %d, new first %t: verdict %d", n, newFirst, e.Verdict)
			}
		}
	}
	for n := 0; n <= registers.CommitWords; n++ {
		for _, newFirst := range []bool{true, false} {
			b := newBench(t)
			b.offer(1, func(w []uint16) { w[66] |= 1; w[33] = 9 }, nil) // over its limit
			b.want(b.scan(), Rejected, 60)
			old := b.area.Commit
			b.tick += 20
			b.heartbeat()
			b.offer(2, nil, nil)
			full := b.area.Commit
			mix := old
			if newFirst {
				copy(mix[:n], full[:n])
			} else {
				copy(mix[n:], full[n:])
			}
			b.area.Commit = mix
			e := answered(b.scan())
			if accepted := e != nil && e.Verdict == Accepted; accepted != (mix == full) {
				t.Errorf("commit cut at %d, new first %t: %+v", n, newFirst, e)
			}
		}
	}
}

func TestHello(t *testing.T) {
	b := newBench(t)
	own := b.c.Active()
	for name, h := range map[string]func(){
		"repeated":       func() { b.hello(11, 0xC0FFEE, b.c.Boot()) },
		"same epoch":     func() { b.hello(11, 0xBAD, b.c.Boot()) },
		"older":          func() { b.hello(10, 0xC0FFEE, b.c.Boot()) },
		"other boot":     func() { b.hello(12, 1, b.c.Boot()+1) },
		"damaged":        func() { b.hello(12, 1, b.c.Boot()); b.area.Hello[5] ^= 2 },
		"another layout": func() { b.hello(12, 1, b.c.Boot()); b.area.Hello[1] = 1; standin.Seal(b.area.Hello[:]) },
	} {
		h()
		b.scan()
		if b.c.Active() != own {
			t.Errorf("%s: session became %v", name, b.c.Active())
		}
	}
	b.accept(1)
	b.hello(12, 1, b.c.Boot())
	b.scan()
	r := b.request()
	if b.c.Active() != (Session{12, 1}) || r.Floor != 12 || r.LastOffer != 0 || b.c.Alive() {
		t.Errorf("newer session: active %v, floor %d, last offer %d, alive %t", b.c.Active(), r.Floor, r.LastOffer, b.c.Alive())
	}
}

func TestCommitUnderASupersededSession(t *testing.T) {
	b := newBench(t)
	b.offer(1, nil, nil)
	b.hello(12, 1, b.c.Boot()) // both stand in the area when it is copied
	ev := b.scan()
	b.refused(ev)
	if b.c.Active().Epoch != 12 || b.c.StaleCommits() != 1 {
		t.Errorf("session %v, stale commits %d", b.c.Active(), b.c.StaleCommits())
	}
}

func TestRepeatsChangeNothing(t *testing.T) {
	b := newBench(t)
	b.accept(1)
	commit, payload := b.area.Commit, b.area.Payload
	for range 5 {
		b.refused(b.scan())
	}
	b.in.Done = &Used{Slot: 2, Scale: 9000}
	b.scan()
	b.enter()
	// The old commit lands again while the next roll waits.
	b.area.Commit, b.area.Payload = [registers.CommitWords]uint16{}, [registers.PayloadWords]uint16{}
	b.scan()
	b.area.Commit, b.area.Payload = commit, payload
	for range 3 {
		b.refused(b.scan())
	}
	if b.c.Phase() != PhaseAwait {
		t.Fatalf("phase %s", b.c.Phase())
	}
	ack := func(n uint32) {
		copy(b.area.Ack[:], standin.Ack(b.epoch, b.nonce, n))
		b.scan()
	}
	ack(2)
	if _, a := b.c.Outcomes(); a != 0 {
		t.Error("acknowledged more than was produced")
	}
	ack(1)
	ack(1)
	ack(0)
	if _, a := b.c.Outcomes(); a != 1 {
		t.Errorf("acknowledged %d, want 1", a)
	}
	copy(b.area.Ack[:], standin.Ack(b.epoch+1, b.nonce, 1))
	b.scan()
	b.heartbeat()
	b.accept(2)
	// An offer under the newest is stale, and counted once for its bytes.
	before := b.c.StaleCommits()
	b.area.Commit = commit
	for range 3 {
		b.refused(b.scan())
	}
	if got := b.c.StaleCommits() - before; got != 1 {
		t.Errorf("stale commits counted %d times", got)
	}
}

// An offer is judged once, even when it would pass the second time.
func TestOfferIsJudgedOnce(t *testing.T) {
	b := newBench(t)
	b.in.Permissives = 0
	b.offer(1, nil, nil)
	payload, commit := b.area.Payload, b.area.Commit
	b.want(b.scan(), Rejected, 20)
	b.offer(2, nil, nil)
	b.want(b.scan(), Rejected, 20)
	b.in.Permissives = allOn
	b.area.Payload, b.area.Commit = payload, commit
	b.refused(b.scan())
	if b.c.StaleCommits() != 1 {
		t.Errorf("stale commits %d, want 1", b.c.StaleCommits())
	}
	b.accept(3)
}

func TestMeasuredAgainInFlight(t *testing.T) {
	b := newBench(t)
	b.offer(1, nil, nil)
	commit := b.area.Commit
	b.area.Commit = [registers.CommitWords]uint16{}
	b.in.Measured = roll("B-1", 10160, 15241, b.tick)
	b.scan()
	b.area.Commit = commit
	b.refused(b.scan())
	if b.c.Phase() != PhaseAwait || b.c.StaleCommits() == 0 {
		t.Errorf("phase %s, stale commits %d", b.c.Phase(), b.c.StaleCommits())
	}
	b.heartbeat()
	b.accept(2)
}

func TestHoldRetryManualRemove(t *testing.T) {
	hold := func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 4 }
	b := newBench(t)
	b.offer(1, hold, nil)
	b.want(b.scan(), HeldByRecipe, 0)
	req := b.c.ReqID()
	b.in.Retry, b.in.Measured = true, roll("B-1", 10162, 15240, b.tick)
	b.scan()
	if b.c.Phase() != PhaseAwait || b.c.ReqID() != req+1 || b.request().Diameter != 10162 {
		t.Fatalf("retry: phase %s, request %d, diameter %d", b.c.Phase(), b.c.ReqID(), b.request().Diameter)
	}
	b.offer(2, nil, nil)
	b.in.ManualSelected = true
	commit := b.area.Commit
	b.area.Commit = [registers.CommitWords]uint16{}
	b.scan()
	b.area.Commit = commit
	b.refused(b.scan())
	if b.c.Phase() != PhaseManual {
		t.Fatalf("manual: phase %s", b.c.Phase())
	}
	b.in.ManualSelected = false
	b.scan()
	if b.c.Phase() != PhaseAwait || b.c.ReqID() != req+2 {
		t.Fatalf("back to automatic: phase %s, request %d", b.c.Phase(), b.c.ReqID())
	}
	b.leave()
	if o, _ := b.c.Outcomes(); b.c.Phase() != PhaseEmpty || o != 1 || b.c.mem.Ring[1][15] != uint16(Removed) {
		t.Errorf("removed: phase %s, %d outcomes", b.c.Phase(), o)
	}
	b.enter()
	b.heartbeat()
	b.scan()
	b.offer(3, nil, nil)
	b.want(b.scan(), Accepted, 0)
}

func TestOutcomeEntry(t *testing.T) {
	b := newBench(t)
	b.accept(1)
	crc := long(b.area.Payload[:], 78)
	b.in.Done = &Used{
		Slot: 2, FeedLength: 97_900, Layers: 300, CrimpTime: 1190, Temperature: 1766, Dwell: 421, OuterHead: 965,
		Overlap: 1500, Scale: 9871, Encoder: 98_001, Start: 7, End: 9,
	}
	b.scan()
	img := NewImage(DefaultBases())
	img.Publish(b.c)
	w, err := img.Read(1200+40, 40)
	if err != nil {
		t.Fatal(err)
	}
	if standin.CRC(w[:38]) != long(w, 38) || w[0] != 0x4F55 || w[1] != 2 {
		t.Error("entry is not whole")
	}
	want := []uint32{1, b.c.RollNo(), b.c.Boot(), b.c.ReqID(), b.epoch, b.nonce}
	for i, v := range want {
		if long(w, 2+2*i) != v {
			t.Errorf("register %d: %d, want %d", 2+2*i, long(w, 2+2*i), v)
		}
	}
	if w[14] != 1 || w[15] != 1 || w[16] != 0 || long(w, 17) != crc || w[19] != 2 || long(w, 20) != 97_900 || w[22] != 300 ||
		w[23] != 1190 || w[24] != 1766 || w[25] != 421 || w[26] != 965 || w[27] != 1500 || long(w, 28) != 9871 ||
		long(w, 30) != 98_001 || long(w, 32) != 7 || long(w, 34) != 9 {
		t.Errorf("entry %04X", w)
	}
}
