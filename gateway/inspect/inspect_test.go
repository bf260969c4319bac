package inspect_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// bench is a controller image whose request block is published by the test.
type bench struct {
	image   *memory.Image
	request handshake.Request
	rate    uint32 // ticks for each 20 ms
}

func newBench() *bench {
	return &bench{image: memory.NewImage(), rate: 2, request: handshake.Request{
		Boot: 3, Floor: 7, RollNo: 40, Req: 50, Phase: handshake.Empty, Permissives: 0x3F, SlotsReady: 0x3, Platen: 1700,
		Produced: 2, Acked: 2,
	}}
}

func (b *bench) publish(t *testing.T) {
	b.image.Lock()
	defer b.image.Unlock()
	b.request.Tick += b.rate
	b.request.GenHead++
	b.request.GenTail = b.request.GenHead
	if err := b.request.Encode(b.image.Words(handshake.REQ, 0)); err != nil {
		t.Error(err)
	}
	for i := uint32(1); i <= b.request.Produced; i++ {
		o := handshake.Outcome{Index: i, RollNo: i, Boot: 3}
		if err := o.Encode(b.image.Words(handshake.OUT, int(i%handshake.OutEntries))); err != nil {
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

// limit publishes limits that are as wide as their fields, but for what is changed.
func (b *bench) limit(change func(*handshake.Limits)) {
	l := handshake.Limits{Gen: 5}
	for _, f := range handshake.SetpointFields() {
		least, most := f.Range()
		f.Put(&l.Least, least)
		f.Put(&l.Greatest, most)
	}
	change(&l)
	b.request.Flags |= handshake.LimitsPublished
	b.image.Lock()
	defer b.image.Unlock()
	_ = l.Encode(b.image.Words(handshake.LIMITS, 0)) // it has room
}

// TestLook spoils one thing of a sound controller and wants it told, with a
// verdict and a remedy.
func TestLook(t *testing.T) {
	for name, c := range map[string]struct {
		spoil   func(*bench, *inspect.Expect)
		subject string
		verdict inspect.Verdict
		got     string
	}{
		"sound":            {func(*bench, *inspect.Expect) {}, "tick", inspect.OK, "moving"},
		"two outcomes":     {func(*bench, *inspect.Expect) {}, "block OUT", inspect.OK, "2 of them in use"},
		"clock stands":     {func(b *bench, _ *inspect.Expect) { b.rate = 0 }, "tick", inspect.Fail, "it stands"},
		"clock in ms":      {func(b *bench, _ *inspect.Expect) { b.rate = 20 }, "tick", inspect.Warn, "counts in"},
		"boot went back":   {func(_ *bench, e *inspect.Expect) { e.Past.Boot = 4 }, "boot id", inspect.Fail, "3"},
		"no boot id":       {func(b *bench, _ *inspect.Expect) { b.request.Boot = 0 }, "boot id", inspect.Fail, "0"},
		"floor went back":  {func(_ *bench, e *inspect.Expect) { e.Past = record.Past{Floor: 8, Epoch: 8} }, "epoch floor", inspect.Fail, "7"},
		"floor of another": {func(_ *bench, e *inspect.Expect) { e.Past = record.Past{Floor: 5, Epoch: 5} }, "epoch floor", inspect.Warn, "7"},
		"outcomes too few": {func(_ *bench, e *inspect.Expect) { e.Past.Outcomes = 9 }, "outcomes", inspect.Fail, "2"},
		"journal lags":     {func(_ *bench, e *inspect.Expect) { e.Past.Outcomes, e.Past.Epoch = 1, 7 }, "outcomes", inspect.Fail, "acknowledged up to 2"},
		"rolls too few":    {func(_ *bench, e *inspect.Expect) { e.Past.Covered = 41 }, "roll number", inspect.Fail, "40"},
		"memory lost":      {func(b *bench, _ *inspect.Expect) { b.request.Flags |= handshake.MemoryLost }, "memory", inspect.Fail, "lost"},
		"a gateway, alone": {func(b *bench, e *inspect.Expect) {
			b.request.Flags |= handshake.GatewayAlive
			b.request.Active.Epoch = 7
			e.Alone = true
		}, "session", inspect.Fail, "epoch 7"},
		"this one, alone": {func(b *bench, e *inspect.Expect) {
			b.request.Flags |= handshake.GatewayAlive
			b.request.Active.Epoch = 7
			e.Alone = true
			e.Past.Epoch = 7
		}, "session", inspect.OK, "no heartbeat"},
		"a gateway":         {func(b *bench, _ *inspect.Expect) { b.request.Flags |= handshake.GatewayAlive }, "session", inspect.Note, "heartbeat"},
		"permissive off":    {func(b *bench, _ *inspect.Expect) { b.request.Permissives = 0x1F }, "permissives", inspect.Note, "1 of the wanted ones off"},
		"fault":             {func(b *bench, _ *inspect.Expect) { b.request.Phase = handshake.Fault }, "phase", inspect.Warn, "fault"},
		"unknown grade":     {func(b *bench, _ *inspect.Expect) { b.request.Phase, b.request.Grade = handshake.Await, 9 }, "grade", inspect.Warn, "9"},
		"unknown core":      {func(b *bench, _ *inspect.Expect) { b.request.Phase, b.request.Core = handshake.Await, 9 }, "core", inspect.Warn, "9"},
		"diameter in mm":    {func(b *bench, _ *inspect.Expect) { b.request.Phase, b.request.Diameter = handshake.Await, 1200 }, "diameter", inspect.Warn, "0.12 m"},
		"slot not ours":     {func(b *bench, _ *inspect.Expect) { b.request.SlotsReady = 0x7 }, "stand", inspect.Warn, "000111"},
		"slot not ready":    {func(b *bench, _ *inspect.Expect) { b.request.SlotsReady = 0x1 }, "stand", inspect.Note, "000001"},
		"hot platen":        {func(b *bench, _ *inspect.Expect) { b.request.Platen = 2500 }, "platen", inspect.Warn, "250 °C"},
		"ring full":         {func(b *bench, _ *inspect.Expect) { b.request.Acked = 0; b.request.Flags |= handshake.RingFull }, "outcomes", inspect.Warn, "2 not acknowledged"},
		"other data in ACK": {func(b *bench, _ *inspect.Expect) { b.image.Words(handshake.ACK, 0)[3] = 5 }, "block ACK", inspect.Fail, "type word"},
		"no limits":         {func(*bench, *inspect.Expect) {}, "limits of the controller", inspect.Note, "not published"},
		"limits, wider":     {func(b *bench, _ *inspect.Expect) { b.limit(func(*handshake.Limits) {}) }, "limits of the controller", inspect.OK, "generation 5"},
		"limit, narrower": {func(b *bench, _ *inspect.Expect) {
			b.limit(func(l *handshake.Limits) { l.Greatest.Temperature = 1900 })
		}, "limit of header temperature", inspect.Fail, "limits.header_temperature"},
		"limit, not entered": {func(b *bench, _ *inspect.Expect) {
			b.limit(func(l *handshake.Limits) { l.Least.Dwell, l.Greatest.Dwell = 1, 0 })
		}, "limit of header dwell", inspect.Fail, "limits.header_dwell"},
		"slot beyond the limit": {func(b *bench, _ *inspect.Expect) {
			b.limit(func(l *handshake.Limits) { l.Greatest.Slot = 1 })
		}, "limit of wrapper slot", inspect.Fail, "1 to 2 in stand.slots"},
		"limits without the block": {func(b *bench, _ *inspect.Expect) { b.request.Flags |= handshake.LimitsPublished }, "block LIMITS", inspect.Fail, "nothing has been published"},
		"no clock told":            {func(*bench, *inspect.Expect) {}, "clock", inspect.Note, "not published"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench()
				e := inspect.Expect{Line: line(), Poll: 100 * time.Millisecond, Stale: time.Second, Request: 500 * time.Millisecond}
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
				r := inspect.Controller(t.Context(), port, e)
				close(stop)
				<-ended
				if name == "sound" && (len(r.Failed()) > 0 || r.Unreachable) {
					t.Errorf("a sound controller fails: %v", r.Failed())
				}
				for _, i := range r.Items {
					if i.Subject == c.subject && i.Verdict == c.verdict && strings.Contains(i.Got, c.got) {
						if (i.Verdict == inspect.Fail || i.Verdict == inspect.Warn) && i.Remedy == "" {
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
