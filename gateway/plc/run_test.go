package plc

import (
	"fmt"
	"testing"

	"lapgate/gateway/handshake"
)

// rig is the second form of the committed program with a machine and a gateway
// around it, in the hand of the test.
type rig struct {
	*interpreter
	t       *testing.T
	session handshake.Session
	offer   uint16
	beat    uint16
	longest int // statements of the longest scan
}

// newRig is a program after its very first start, with limits and states to fall
// to entered, the loss of memory acknowledged and a session open.
func newRig(t *testing.T) *rig {
	r := freshRig(t)
	r.begin()
	r.press("ackMemoryLoss")
	r.hello(handshake.Session{Epoch: 7, Nonce: 0x9E3779B9})
	return r
}

// freshRig is a program before its very first start. Where tests are to be short it is left
// out, as under the race detector: it is reckoned by one goroutine, and for long.
func freshRig(t *testing.T) *rig {
	t.Helper()
	if testing.Short() {
		t.Skip("a long reckoning of one goroutine")
	}
	r := &rig{interpreter: newInterpreter(t, read(t, forms[1].file)), t: t}
	r.enter()
	return r
}

// enter is what a person enters in the text for a machine.
func (r *rig) enter() {
	for i, l := range limits() {
		low, high := l.Range()
		r.vars["lowLimits"].values[i], r.vars["highLimits"].values[i] = low, min(high, 1<<31-1)
	}
	for _, o := range outputs {
		if o.maker {
			r.put("fall"+upperFirst(o.name), fallOff)
		}
		r.put("want"+upperFirst(o.name), 1)
	}
	for i := range 6 {
		r.put(fmt.Sprintf("permit%d", i), 1)
	}
	r.put("clockSeconds", 200_000_000)
	r.put("standPlatenCool", 1742)
	r.put("standPlatenHot", 1775)
}

func (r *rig) put(name string, v int64)    { r.vars[name].values[0] = v }
func (r *rig) get(name string) int64       { return r.vars[name].values[0] }
func (r *rig) on(names ...string)          { r.all(names, 1) }
func (r *rig) off(names ...string)         { r.all(names, 0) }
func (r *rig) all(names []string, v int64) { each(names, func(n string) { r.put(n, v) }) }

func each(names []string, do func(string)) {
	for _, n := range names {
		do(n)
	}
}

// begin is the first scan after power came, and those until the start is done.
func (r *rig) begin() {
	r.put("firstScan", 1)
	for range 80 {
		r.step(1)
		r.put("firstScan", 0)
		if r.get("startStep") == 0 {
			return
		}
	}
	r.t.Fatal("the start does not end")
}

// restart takes the power away: what is not retained is as in the text.
func (r *rig) restart() {
	fresh := freshRig(r.t)
	each([]string{
		"banks", "out", "rollPresent", "rollMeasured", "measDiameter", "measWidth", "measValid", "clockSeconds", "tick",
		"hello", "payload", "commit", "ack", "heartbeat", // as a communication module keeps them
	}, func(name string) { fresh.vars[name].values = r.vars[name].values })
	r.interpreter = fresh.interpreter
	r.begin()
}

// step runs scans of 20 ms. In every one outputs are on only if nothing forbids it.
func (r *rig) step(scans int) {
	for range scans {
		r.put("tick", r.get("tick")+2)
		r.scan()
		r.longest = max(r.longest, r.count)
		phase := handshake.Phase(r.get("phase"))
		if r.driven() && (phase != handshake.Run && phase != handshake.ByHand || r.get("allOn") == 0 || r.get("gone") == 1) {
			r.t.Fatalf("outputs on in phase %s, permissives %d, gone %d", phase, r.get("allOn"), r.get("gone"))
		}
	}
}

func (r *rig) driven() bool { return r.get("turningDrive") == 1 }

func (r *rig) press(name string) {
	r.on(name)
	r.step(1)
	r.off(name)
	r.step(1)
}

func (r *rig) words(name string) []uint16 {
	out := make([]uint16, len(r.vars[name].values))
	for i, v := range r.vars[name].values {
		out[i] = uint16(v)
	}
	return out
}

func (r *rig) write(name string, b interface{ Encode([]uint16) error }) {
	r.t.Helper()
	words := make([]uint16, len(r.vars[name].values))
	if err := b.Encode(words); err != nil {
		r.t.Fatal(err)
	}
	for i, w := range words {
		r.vars[name].values[i] = int64(int16(w))
	}
}

func (r *rig) request() *handshake.Request {
	r.t.Helper()
	var out handshake.Request
	if err := handshake.DecodeRequest(r.words("req"), &out); err != nil {
		r.t.Fatal(err)
	}
	return &out
}

// outcome is the first one, which is all that a test here produces.
func (r *rig) outcome() *handshake.Outcome {
	r.t.Helper()
	var out handshake.Outcome
	if err := handshake.DecodeOutcome(r.words("out")[handshake.OutWords:2*handshake.OutWords], &out); err != nil {
		r.t.Fatal(err)
	}
	return &out
}

func (r *rig) hello(s handshake.Session) {
	r.write("hello", &handshake.Hello{Session: s, Boot: r.request().Boot})
	r.step(1)
	if r.request().Active == s {
		r.session, r.offer = s, 0
	}
	r.alive()
}

func (r *rig) alive() {
	r.beat++
	r.write("heartbeat", &handshake.Heartbeat{Count: r.beat, Session: r.session, State: 4})
	r.step(1)
}

// roll brings a roll and lets it be measured.
func (r *rig) roll(diameter int64) {
	r.put("measDiameter", diameter)
	r.put("measWidth", 16020)
	r.on("rollPresent", "measValid")
	r.step(1)
	r.on("rollMeasured")
	r.step(1)
}

func (r *rig) takeAway() {
	r.off("rollPresent", "rollMeasured")
	r.step(110)
}

// recipe is an offer for the roll that waits, with each setpoint at a number
// that its field holds.
func (r *rig) recipe() *handshake.Payload {
	q := r.request()
	r.offer++
	return &handshake.Payload{
		Session: r.session, Boot: q.Boot, Req: q.Req, RollNo: q.RollNo, Offer: r.offer, Kind: handshake.KindRecipe,
		Tag: q.Tag, Diameter: q.Diameter, Width: q.Width, Slot: 2, FeedLength: 119433, Centring: -12, Gross: 15712,
		Temperature: 1767, CloseMin: 1680, CloseMax: 1850, Groups: 0xFF,
	}
}

// offerIt writes the offer and its commit, and returns the verdict.
func (r *rig) offerIt(p *handshake.Payload) (handshake.Verdict, uint16) {
	r.t.Helper()
	r.alive()
	r.write("payload", p)
	r.commit(p, r.request().Tick)
	q := r.request()
	if q.ResultOffer != r.offer || q.ResultSession != r.session || q.LastOffer != r.offer {
		r.t.Fatalf("the result names offer %d of %v, want %d of %v", q.ResultOffer, q.ResultSession, r.offer, r.session)
	}
	return q.ResultVerdict, q.ResultReason
}

func (r *rig) commit(p *handshake.Payload, tick uint32) {
	words := r.words("payload")
	r.write("commit", &handshake.Commit{
		Offer: r.offer, Session: r.session, Req: p.Req, Tick: tick,
		PayloadCRC: uint32(words[len(words)-2])<<16 | uint32(words[len(words)-1]),
	})
	r.step(1)
}

// accepted is a rig with a roll in run.
func accepted(t *testing.T) *rig {
	t.Helper()
	r := newRig(t)
	r.roll(12504)
	if v, reason := r.offerIt(r.recipe()); v != handshake.Accepted {
		t.Fatalf("%s", handshake.VerdictText(v, reason))
	}
	return r
}

func TestRunWrapsARoll(t *testing.T) {
	r := accepted(t)
	if r.driven() || r.get("startWanted") != 1 {
		t.Error("an accepted recipe moved something, or nobody is asked to start")
	}
	if got := r.vars["recipe"].values[35-handshake.FirstSetpoint]; got != 119433 {
		t.Errorf("feed length %d, want 119433", got)
	}
	if got := r.vars["recipe"].values[65-handshake.FirstSetpoint]; got != -12 {
		t.Errorf("centring %d, want -12", got)
	}
	r.press("start")
	if !r.driven() || r.get("platen") != 1 {
		t.Fatal("a press of start turned nothing on")
	}
	r.put("usedSlot", 2)
	r.put("usedFeedLength", 119440)
	r.press("finished")
	o := r.outcome()
	if o.Outcome != handshake.Wrapped || o.Session != r.session || o.Offer != 1 || o.RollNo != 1 || o.FeedLength != 119440 {
		t.Errorf("outcome %+v", o)
	}
	if r.driven() || r.vars["recipe"].values[0] != 0 {
		t.Error("outputs or recipe outlast the roll")
	}
	r.write("ack", &handshake.Ack{Session: r.session, UpTo: 2})
	r.step(1)
	if n := r.request().Acked; n != 0 {
		t.Errorf("acknowledged to %d, beyond what was produced", n)
	}
	r.write("ack", &handshake.Ack{Session: r.session, UpTo: 1})
	r.step(1)
	if n := r.request().Acked; n != 1 {
		t.Errorf("acknowledged to %d, want 1", n)
	}
	r.step(5)
	t.Logf("statements: %d in an idle scan, %d at most", r.count, r.longest)
}

// TestNothingStartsByItself tries whatever might turn outputs on without a press
// of start that is seen with everything in order.
func TestNothingStartsByItself(t *testing.T) {
	for name, try := range map[string]func(*rig){
		"a permissive came back": func(r *rig) { r.press("start"); r.off("permit3"); r.step(1); r.on("permit3"); r.step(5) },
		"start held down over the verdict": func(r *rig) {
			r.takeAway()
			r.press("otherRoll")
			r.on("start")
			r.roll(9000)
			r.offerIt(r.recipe())
			r.step(5)
		},
		"start held while a permissive is on": func(r *rig) { r.off("permit0"); r.on("start"); r.step(3); r.on("permit0"); r.step(5) },
		"the roll was gone":                   func(r *rig) { r.press("start"); r.off("rollPresent"); r.step(110); r.on("rollPresent"); r.step(5) },
		"the same roll was confirmed": func(r *rig) {
			r.press("start")
			r.off("rollPresent")
			r.step(110)
			r.on("rollPresent")
			r.press("sameRoll")
			r.step(5)
		},
		"start without a roll": func(r *rig) { r.off("rollPresent"); r.step(2); r.press("start") },
		"power came back":      func(r *rig) { r.press("start"); r.restart(); r.press("sameRoll"); r.step(5) },
		"start while asked":    func(r *rig) { r.press("start"); r.restart(); r.press("start") },
		"an abort":             func(r *rig) { r.press("start"); r.press("abortReported"); r.press("start") },
		"no state to fall to":  func(r *rig) { r.put("fallClamp", fallNotEntered); r.step(1); r.press("start") },
		"a mode":               func(r *rig) { r.on("manualSelected"); r.step(2); r.off("manualSelected"); r.press("backToAutomatic") },
		"a link that went and is": func(r *rig) {
			r.press("start")
			r.off("permit1")
			r.step(200)
			r.alive()
			r.on("permit1")
			r.alive()
		},
	} {
		r := accepted(t)
		try(r)
		if r.driven() {
			t.Errorf("%s: outputs are on", name)
		}
		if name == "a permissive came back" || name == "the same roll was confirmed" || name == "power came back" {
			if r.press("start"); !r.driven() {
				t.Errorf("%s: a new press does not turn outputs on", name)
			}
		}
	}
}

func TestRollIsFollowed(t *testing.T) {
	r := newRig(t)
	r.roll(12504)
	r.off("rollPresent")
	r.step(95)
	r.on("rollPresent")
	r.step(5)
	if q := r.request(); q.Phase != handshake.Await || q.RollNo != 1 {
		t.Errorf("a flicker of 1.9 s: phase %s, roll %d", q.Phase, q.RollNo)
	}
	r.takeAway()
	if o := r.outcome(); o.Outcome != handshake.Removed || r.request().Phase != handshake.Empty {
		t.Errorf("gone in await: %s", o.Outcome)
	}

	r = accepted(t)
	r.press("start")
	r.takeAway()
	if q := r.request(); q.Phase != handshake.Run || q.Flags&handshake.OperatorMustAck == 0 || r.driven() {
		t.Errorf("gone in run: phase %s, flags %b", q.Phase, q.Flags)
	}
	r.press("otherRoll")
	if o := r.outcome(); o.Outcome != handshake.Aborted || o.Offer != 1 {
		t.Errorf("gone in run, answered: %s", o.Outcome)
	}

	// The same roll gets no second number after an abort.
	r = accepted(t)
	r.press("abortReported")
	r.press("measuredAgain")
	r.step(50)
	if q := r.request(); q.Phase != handshake.Empty || q.RollNo != 1 {
		t.Errorf("after an abort: phase %s, roll %d", q.Phase, q.RollNo)
	}
	r.takeAway()
	r.roll(9000)
	if q := r.request(); q.Phase != handshake.Await || q.RollNo != 2 || q.Diameter != 9000 {
		t.Errorf("the next roll: phase %s, roll %d of %d", q.Phase, q.RollNo, q.Diameter)
	}
}

// TestMeasurementIsOfTheRoll keeps the signal of a measurement up while rolls
// change: a rise that was seen under another roll makes no request.
func TestMeasurementIsOfTheRoll(t *testing.T) {
	r := accepted(t)
	r.off("rollMeasured")
	r.step(1)
	r.on("rollMeasured")
	r.step(1)
	r.press("finished")
	r.off("rollPresent")
	r.step(110)
	r.on("rollPresent")
	r.step(5)
	if q := r.request(); q.Phase != handshake.Empty {
		t.Errorf("phase %s with a measurement of the roll before", q.Phase)
	}
	r.off("rollMeasured")
	r.step(1)
	r.roll(9000)
	if q := r.request(); q.Phase != handshake.Await || q.Diameter != 9000 {
		t.Errorf("phase %s, diameter %d", q.Phase, q.Diameter)
	}
}

func TestEachCheckRefuses(t *testing.T) {
	for _, c := range []struct {
		reason uint16
		change func(*rig, *handshake.Payload)
	}{
		{handshake.RejectOtherOffer, func(_ *rig, p *handshake.Payload) { p.Session.Nonce++ }},
		{handshake.RejectOtherOffer, func(_ *rig, p *handshake.Payload) { p.Boot-- }},
		{handshake.RejectOtherOffer, func(_ *rig, p *handshake.Payload) { p.RollNo++ }},
		{handshake.RejectWrongRoll, func(_ *rig, p *handshake.Payload) { p.Diameter++ }},
		{handshake.RejectWrongRoll, func(_ *rig, p *handshake.Payload) { p.Width-- }},
		{handshake.RejectDamaged, func(_ *rig, p *handshake.Payload) { p.Kind = 3 }},
		{handshake.RejectPermissive + 4, func(r *rig, _ *handshake.Payload) { r.off("permit4"); r.step(1) }},
		{86, func(_ *rig, p *handshake.Payload) { p.CloseMin = 0 }},
		{86, func(_ *rig, p *handshake.Payload) { p.CloseMin = 1860 }},
		{94, func(_ *rig, p *handshake.Payload) { p.CloseMax = 0 }},
		{94, func(_ *rig, p *handshake.Payload) { p.CloseMax = 2001 }},
		{80, func(_ *rig, p *handshake.Payload) { p.Temperature = 2001 }},
		{86, func(_ *rig, p *handshake.Payload) { p.Temperature = 0 }},
	} {
		r := newRig(t)
		r.roll(12504)
		p := r.recipe()
		c.change(r, p)
		if v, reason := r.offerIt(p); v != handshake.Rejected || reason != c.reason {
			t.Errorf("%s, want reason %d", handshake.VerdictText(v, reason), c.reason)
		}
	}
}

// TestDamagedLateAndRepeatedOffers goes on with one roll: what is refused leaves it
// waiting.
func TestDamagedLateAndRepeatedOffers(t *testing.T) {
	r := newRig(t)
	r.roll(12504)
	p := r.recipe()
	r.write("payload", p)
	r.vars["payload"].values[40] ^= 1
	r.alive()
	if r.commit(p, r.request().Tick); r.request().ResultReason != handshake.RejectDamaged {
		t.Errorf("a damaged payload: reason %d", r.request().ResultReason)
	}
	p = r.recipe()
	r.write("payload", p)
	r.alive()
	if r.commit(p, r.request().Tick-300); r.request().ResultReason != handshake.RejectTooLate {
		t.Errorf("a commit of three seconds ago: reason %d", r.request().ResultReason)
	}
	p = r.recipe()
	r.write("payload", p)
	r.step(200)
	if r.commit(p, r.request().Tick); r.request().ResultReason != handshake.RejectNotAlive {
		t.Errorf("without a heartbeat: reason %d", r.request().ResultReason)
	}
	before := r.request().StaleCommits
	r.step(3)
	if r.commit(p, r.request().Tick); r.request().StaleCommits != before {
		t.Error("a repeated commit of the last offer is counted as stale")
	}
	p = r.recipe()
	p.Kind, p.HoldReason = handshake.KindHold, handshake.HoldOperator
	r.off("permit0")
	if v, _ := r.offerIt(p); v != handshake.HeldVerdict || r.get("holdReason") != int64(handshake.HoldOperator) {
		t.Errorf("a hold with a permissive off: %s", v)
	}
}

// TestLimitsAreWhatIsChecked leaves out one limit after the other, and compares
// LIMITS with what was entered.
func TestLimitsAreWhatIsChecked(t *testing.T) {
	for i, l := range limits() {
		r := freshRig(t)
		r.vars["lowLimits"].values[i], r.vars["highLimits"].values[i] = 1, 0
		r.begin()
		r.press("ackMemoryLoss")
		r.hello(handshake.Session{Epoch: 7, Nonce: 1})
		r.roll(12504)
		want := handshake.RejectLimit + uint16(l.Register-handshake.FirstSetpoint)
		if v, reason := r.offerIt(r.recipe()); v != handshake.Rejected || reason != want {
			t.Errorf("without a limit on %s: %s, want %d", l.Name, handshake.VerdictText(v, reason), want)
		}
	}
	r := newRig(t)
	var shown handshake.Limits
	if err := handshake.DecodeLimits(r.words("limits"), &shown); err != nil {
		t.Fatal(err)
	}
	if shown.Greatest.Temperature != 2000 || shown.Greatest.CloseMin != 2000 || shown.Greatest.CloseMax != 2000 ||
		shown.Least.Centring != -1<<15 || shown.Greatest.Gross != 1<<31-1 || shown.Greatest.Groups != 0xFFFF || shown.Gen != 1 {
		t.Errorf("LIMITS shows %+v", shown)
	}
	if r.request().Flags&handshake.LimitsPublished == 0 {
		t.Error("LIMITS is there and its flag is not")
	}
}

func TestPressClosesBetweenItsTemperatures(t *testing.T) {
	r := accepted(t)
	r.put("standPlatenCool", 1679)
	r.press("start")
	if r.get("platen") != 0 || r.get("closeWaits") != 1 || r.get("closeNow") != 1679 || r.get("closeLimit") != 1680 || !r.driven() {
		t.Errorf("too cold: platen %d, waits %d at %d for %d", r.get("platen"), r.get("closeWaits"), r.get("closeNow"), r.get("closeLimit"))
	}
	r.put("standPlatenCool", 1690)
	if r.step(5); r.get("platen") != 0 {
		t.Error("the press closed by itself when its platen was warm")
	}
	if r.press("start"); r.get("platen") != 1 {
		t.Error("a new press of start does not close it")
	}
	r.put("standPlatenCool", 1600)
	if r.step(5); r.get("platen") != 1 {
		t.Error("the press opened while its platens cooled on the roll")
	}
	for _, c := range []struct{ cool, hot, waits int64 }{{1700, 1851, 2}, {0, 1800, 3}, {1700, 0, 4}} {
		r := accepted(t)
		r.put("standPlatenCool", c.cool)
		r.put("standPlatenHot", c.hot)
		if r.press("start"); r.get("platen") != 0 || r.get("closeWaits") != c.waits {
			t.Errorf("%d and %d: platen %d, waits %d, want %d", c.cool, c.hot, r.get("platen"), r.get("closeWaits"), c.waits)
		}
	}
}

func TestEpochHasBounds(t *testing.T) {
	for _, c := range []struct {
		first, second uint32
		adopted       bool
	}{
		{4_000_000_000, 0, true}, {4_000_000_001, 0, false},
		{7, 7, false}, {7, 6, false}, {7, 8, true}, {7, 7 + 1_048_576, true}, {7, 8 + 1_048_576, false},
	} {
		r := freshRig(t)
		r.begin()
		r.press("ackMemoryLoss")
		s := handshake.Session{Epoch: c.first, Nonce: 5}
		r.hello(s)
		if c.second != 0 {
			s = handshake.Session{Epoch: c.second, Nonce: 6}
			r.hello(s)
		}
		if got := r.request().Active == s; got != c.adopted {
			t.Errorf("epoch %d after %d adopted: %t, want %t", c.second, c.first, got, c.adopted)
		}
	}
	r := newRig(t)
	r.write("hello", &handshake.Hello{Session: handshake.Session{Epoch: 9, Nonce: 5}, Boot: r.request().Boot - 1})
	if r.step(2); r.request().Active != r.session {
		t.Error("a HELLO for another start was adopted")
	}
}

func TestMemoryOutlivesPowerAndIsMissed(t *testing.T) {
	r := accepted(t)
	boot := r.request().Boot
	r.restart()
	q := r.request()
	if q.Boot != boot+1 || q.Phase != handshake.Run || q.Flags&handshake.OperatorMustAck == 0 || q.Active != (handshake.Session{}) {
		t.Errorf("after power: boot %d, phase %s, flags %b", q.Boot, q.Phase, q.Flags)
	}
	r.press("sameRoll")
	r.press("start")
	if r.press("finished"); r.outcome().Outcome != handshake.Wrapped || r.outcome().Boot != boot {
		t.Errorf("outcome %+v, want the token that was accepted", r.outcome())
	}

	// A loss, with a wrong clock first.
	for i := range r.vars["banks"].values {
		r.vars["banks"].values[i] = 0
	}
	r.put("clockSeconds", 0)
	r.restart()
	r.press("ackMemoryLoss")
	if q := r.request(); r.get("clockAlarm") != 1 || q.Flags&handshake.MemoryLost == 0 || q.Phase != handshake.Fault || q.Boot == 0 {
		t.Errorf("a clock of 0: alarm %d, flags %b, phase %s, boot %d", r.get("clockAlarm"), q.Flags, q.Phase, q.Boot)
	}
	r.put("clockSeconds", 210_000_000)
	r.restart()
	q = r.request()
	if r.get("clockAlarm") != 0 || q.Boot != 210_000_000 || q.Floor != 0 || q.RollNo != 1 || r.outcome().Outcome != handshake.Lost {
		t.Errorf("lost: alarm %d, boot %d, floor %d, roll %d, %s", r.get("clockAlarm"), q.Boot, q.Floor, q.RollNo, r.outcome().Outcome)
	}
	for _, w := range r.words("hello") {
		if w != 0 {
			t.Fatal("what the gateway wrote before outlives the loss of memory")
		}
	}
	r.press("ackMemoryLoss")
	if q := r.request(); q.Phase != handshake.Empty || q.Flags&handshake.MemoryLost != 0 {
		t.Errorf("acknowledged: phase %s, flags %b", q.Phase, q.Flags)
	}
}
