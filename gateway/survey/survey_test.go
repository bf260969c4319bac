package survey_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/block"
	"lapgate/gateway/cycle"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/survey"
	"lapgate/recipe"
)

// bench is a controller image whose request block is published by the test.
type bench struct {
	image   *memory.Image
	request block.Request
	rate    uint32 // ticks for each 20 ms
}

func newBench() *bench {
	return &bench{image: memory.NewImage(), rate: 2, request: block.Request{
		Boot: 3, Floor: 7, RollNo: 40, Req: 50, Phase: block.Empty, Permissives: 0x3F, SlotsReady: 0x3, Platen: 1700,
		Produced: 2, Acked: 2,
	}}
}

func (b *bench) publish(t *testing.T) {
	b.image.Lock()
	defer b.image.Unlock()
	b.request.Tick += b.rate
	b.request.GenHead++
	b.request.GenTail = b.request.GenHead
	if err := b.request.Encode(b.image.Words(block.REQ, 0)); err != nil {
		t.Error(err)
	}
	for i := uint32(1); i <= b.request.Produced; i++ {
		o := block.Outcome{Index: i, RollNo: i, Boot: 3}
		if err := o.Encode(b.image.Words(block.OUT, int(i%block.OutEntries))); err != nil {
			t.Error(err)
		}
	}
}

func line() *recipe.Line {
	l := &recipe.Line{Name: "north"}
	l.Equipment.Stand, l.Equipment.Header = recipe.Auto, recipe.Auto
	l.Stand.Slots = []recipe.SlotSpec{{Number: 1}, {Number: 2}}
	l.Limits.Permissives = 0x3F
	l.Limits.Diameter, l.Limits.Width = recipe.Range{Min: 0.3, Max: 1.8}, recipe.Range{Min: 0.3, Max: 3}
	l.Limits.Temperature = recipe.Range{Min: 80, Max: 200}
	l.Materials.Grades = []recipe.Grade{{Code: 1}}
	l.Materials.Cores = []recipe.Core{{Code: 1}}
	return l
}

// TestLook spoils one thing of a sound controller and wants it told, with a
// verdict and a remedy.
func TestLook(t *testing.T) {
	for name, c := range map[string]struct {
		spoil   func(*bench, *survey.Expect)
		subject string
		verdict survey.Verdict
		got     string
	}{
		"sound":            {func(*bench, *survey.Expect) {}, "tick", survey.OK, "moving"},
		"two outcomes":     {func(*bench, *survey.Expect) {}, "block OUT", survey.OK, "2 of them in use"},
		"clock stands":     {func(b *bench, _ *survey.Expect) { b.rate = 0 }, "tick", survey.Fail, "it stands"},
		"clock in ms":      {func(b *bench, _ *survey.Expect) { b.rate = 20 }, "tick", survey.Warn, "counts in"},
		"boot went back":   {func(_ *bench, e *survey.Expect) { e.Known.Boot = 4 }, "boot id", survey.Fail, "3"},
		"no boot id":       {func(b *bench, _ *survey.Expect) { b.request.Boot = 0 }, "boot id", survey.Fail, "0"},
		"floor went back":  {func(_ *bench, e *survey.Expect) { e.Known = survey.Known{Floor: 8, Epoch: 8} }, "epoch floor", survey.Fail, "7"},
		"floor of another": {func(_ *bench, e *survey.Expect) { e.Known = survey.Known{Floor: 5, Epoch: 5} }, "epoch floor", survey.Warn, "7"},
		"outcomes too few": {func(_ *bench, e *survey.Expect) { e.Known.Outcomes = 9 }, "outcomes", survey.Fail, "2"},
		"rolls too few":    {func(_ *bench, e *survey.Expect) { e.Known.Rolls = 41 }, "roll number", survey.Fail, "40"},
		"memory lost":      {func(b *bench, _ *survey.Expect) { b.request.Flags |= block.MemoryLost }, "memory", survey.Fail, "lost"},
		"a gateway, alone": {func(b *bench, e *survey.Expect) {
			b.request.Flags |= block.GatewayAlive
			b.request.Active.Epoch = 7
			e.Alone = true
		}, "session", survey.Fail, "epoch 7"},
		"this one, alone": {func(b *bench, e *survey.Expect) {
			b.request.Flags |= block.GatewayAlive
			b.request.Active.Epoch = 7
			e.Alone = true
			e.Known.Epoch = 7
		}, "session", survey.OK, "no heartbeat"},
		"a gateway":         {func(b *bench, _ *survey.Expect) { b.request.Flags |= block.GatewayAlive }, "session", survey.Note, "heartbeat"},
		"permissive off":    {func(b *bench, _ *survey.Expect) { b.request.Permissives = 0x1F }, "permissives", survey.Note, "1 of the wanted ones off"},
		"fault":             {func(b *bench, _ *survey.Expect) { b.request.Phase = block.Fault }, "phase", survey.Warn, "fault"},
		"unknown grade":     {func(b *bench, _ *survey.Expect) { b.request.Phase, b.request.Grade = block.Await, 9 }, "grade", survey.Warn, "9"},
		"unknown core":      {func(b *bench, _ *survey.Expect) { b.request.Phase, b.request.Core = block.Await, 9 }, "core", survey.Warn, "9"},
		"diameter in mm":    {func(b *bench, _ *survey.Expect) { b.request.Phase, b.request.Diameter = block.Await, 1200 }, "diameter", survey.Warn, "0.12 m"},
		"slot not ours":     {func(b *bench, _ *survey.Expect) { b.request.SlotsReady = 0x7 }, "stand", survey.Warn, "000111"},
		"slot not ready":    {func(b *bench, _ *survey.Expect) { b.request.SlotsReady = 0x1 }, "stand", survey.Note, "000001"},
		"hot platen":        {func(b *bench, _ *survey.Expect) { b.request.Platen = 2500 }, "platen", survey.Warn, "250 °C"},
		"ring full":         {func(b *bench, _ *survey.Expect) { b.request.Acked = 0; b.request.Flags |= block.RingFull }, "outcomes", survey.Warn, "2 not acknowledged"},
		"other data in ACK": {func(b *bench, _ *survey.Expect) { b.image.Words(block.ACK, 0)[3] = 5 }, "block ACK", survey.Fail, "type word"},
		"no clock told":     {func(*bench, *survey.Expect) {}, "clock", survey.Note, "not published"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench()
				e := survey.Expect{Line: line(), Poll: 100 * time.Millisecond, Stale: time.Second, Request: 500 * time.Millisecond}
				c.spoil(b, &e)
				b.publish(t)
				ended, stop := make(chan struct{}), make(chan struct{})
				go func() {
					defer close(ended)
					tick := time.NewTicker(20 * time.Millisecond)
					defer tick.Stop()
					for {
						select {
						case <-stop:
							return
						case <-tick.C:
							b.publish(t)
						}
					}
				}()
				port, err := (&memory.Dialer{Image: b.image}).Dial(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				r := survey.Look(t.Context(), port, e)
				close(stop)
				<-ended
				if name == "sound" && (len(r.Failed()) > 0 || r.Unreachable) {
					t.Errorf("a sound controller fails: %v", r.Failed())
				}
				for _, i := range r.Items {
					if i.Subject == c.subject && i.Verdict == c.verdict && strings.Contains(i.Got, c.got) {
						if (i.Verdict == survey.Fail || i.Verdict == survey.Warn) && i.Remedy == "" {
							t.Errorf("no remedy: %s", i)
						}
						return
					}
				}
				t.Errorf("no %s of %s with %q in %v", c.verdict, c.subject, c.got, r.Items)
			})
		})
	}
}

// TestKnown learns from records, and forgets what a loss of memory undid.
func TestKnown(t *testing.T) {
	var k survey.Known
	take := func(r cycle.Record) { k.Take(cycle.Stored{Record: r}) }
	take(cycle.SessionRecord{Session: block.Session{Epoch: 4}, Boot: 2, Floor: 3})
	take(cycle.RequestRecord{Token: block.Token{Boot: 3}, Roll: 11})
	take(cycle.IntentRecord{Offer: cycle.OfferName{Session: block.Session{Epoch: 4}}})
	take(cycle.OutcomeRecord{Outcome: block.Outcome{Index: 9, RollNo: 11, Boot: 3}})
	if want := (survey.Known{Boot: 3, Epoch: 4, Floor: 4, Outcomes: 9, Rolls: 11}); k != want {
		t.Errorf("got %+v, want %+v", k, want)
	}
	take(cycle.GapRecord{Boot: 17})
	if want := (survey.Known{Boot: 17, Epoch: 4}); k != want {
		t.Errorf("after a loss got %+v, want %+v", k, want)
	}
}
