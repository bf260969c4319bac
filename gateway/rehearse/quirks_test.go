package rehearse_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/stationtest"
	"lapgate/gateway/status"
	"lapgate/sim"
	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

// cable joins the daemon to the registers of a simulated line in memory. Each span
// is a request of its own, as the description has it, and takes a while that never
// ends together with a scan.
type cable struct {
	image  *controller.Image
	refuse func(op string) bool // answers this request with no
}

const requestTakes = 3137 * time.Microsecond

func (c *cable) Dial(context.Context) (link.Port, error) { return c, nil }
func (c *cable) Close() error                            { return nil }

// at is the first register of a block and its size.
func (c *cable) at(id handshake.ID, entry int) (addr uint16, words int) {
	b := registers.Block(id.String())
	n := b.Shape().Words
	return c.image.Bases().Of(b) + uint16(entry*n), n
}

// request waits for the answer, which may be no.
func (c *cable) request(op string, id handshake.ID) error {
	<-time.After(requestTakes) // of virtual time
	if c.refuse != nil && c.refuse(op+" "+id.String()) {
		return refused(op, id, errors.New("the controller answered no"))
	}
	return nil
}

func refused(op string, id handshake.ID, err error) error {
	if err == nil {
		return nil
	}
	return &link.Error{Op: op, Block: id, Class: link.Refused, Err: err}
}

func (c *cable) Read(_ context.Context, spans ...link.Span) error {
	for _, s := range spans {
		if err := c.request("read", s.Block); err != nil {
			return err
		}
		addr, n := c.at(s.Block, s.Entry)
		w, err := c.image.Read(addr, n)
		if err != nil {
			return &link.Error{Op: "read", Block: s.Block, Class: link.NoAccess, Err: err}
		}
		copy(s.Dst, w)
	}
	return nil
}

func (c *cable) Write(_ context.Context, id handshake.ID, words []uint16) error {
	if err := link.CheckWrite(id, words); err != nil {
		return err
	}
	if err := c.request("write", id); err != nil {
		return err
	}
	addr, _ := c.at(id, 0)
	return refused("write", id, c.image.Write(addr, words))
}

// quirkRun is one shift of the daemon on a line with a quirk.
type quirkRun struct {
	result   *rehearse.Result
	logs     *observer.ObservedLogs
	history  stationtest.History
	report   stationtest.Report
	disagree error // of the history
	state    status.Line
	err      error
}

// ledger turns an event of the program into one of the ledger.
func ledger(e *controller.Event) (l stationtest.Event, ok bool) {
	what := map[controller.EventKind]stationtest.What{
		controller.EventBoot: stationtest.Booted, controller.EventMemoryLost: stationtest.MemoryLost, controller.EventAdopted: stationtest.Adopted,
		controller.EventEntered: stationtest.Entered, controller.EventRequested: stationtest.Requested, controller.EventVerdict: stationtest.Judged,
		controller.EventOutcome: stationtest.Left, controller.EventAcked: stationtest.Acknowledged,
	}[e.Kind]
	return stationtest.Event{
		At: time.Now().UnixNano(), What: what, Boot: e.Boot, Roll: e.Roll, Req: e.Req, Epoch: e.Session.Epoch, Nonce: e.Session.Nonce,
		Offer: e.Offer, Verdict: handshake.Verdict(e.Verdict), Outcome: handshake.OutcomeKind(e.Outcome), Index: e.Index,
	}, what != ""
}

// longest is how long a shift may take, of virtual time.
const longest = 10 * time.Minute

// wrapQuirky wraps a made-up shift over memory, in virtual time.
func wrapQuirky(t *testing.T, rolls int, set func(*sim.Config), refuse func(string) bool) (run quirkRun) {
	t.Helper()
	s := demo(t, map[string]string{"journal.directory": t.TempDir()})
	c, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	c.Modbus.Addr, c.Limit = "", longest
	c.Rolls = c.Shift(3, rolls)
	if set != nil {
		set(&c)
	}
	c.OnEvent = func(e *controller.Event) {
		if l, ok := ledger(e); ok {
			run.history.Ledger = append(run.history.Ledger, l)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		line, err := sim.New(c)
		if err != nil {
			t.Fatal(err)
		}
		core, logs := observer.New(zap.InfoLevel)
		run.logs = logs
		g, err := gateway.New(gateway.Options{
			Arm:      &gateway.Act{By: "test", Reason: "a simulated controller"},
			Snapshot: s, Dialer: func(*config.Line) (link.Dialer, error) { return &cable{line.Image(), refuse}, nil },
			OpenJournal: gateway.OpenJournals(s), Log: zap.New(core), Jitter: func() float64 { return 0.5 },
			OnRecord: func(_ string, r record.Stored) {
				run.history.Journal = append(run.history.Journal, stationtest.Entry{At: time.Now().UnixNano(), Record: r.Record})
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithTimeout(t.Context(), longest)
		defer stop()
		report, gerr, lerr := rehearse.Wrap(ctx, g, line)
		run.state, run.err = g.Lines()[0], errors.Join(gerr, lerr)
		run.history.Rest = run.err == nil && !c.Shadow
		if run.result, err = rehearse.Examine(t.Context(), s.Journal.Path(s.Lines[0].Recipe.Name), s.Lines[0].Recipe, report); err != nil {
			t.Fatal(err)
		}
	})
	run.report, run.disagree = run.history.Check()
	return run
}

// quirk is one thing that a controller by another maker may do.
type quirk struct {
	name   string
	set    func(*sim.Config)
	refuse func() func(op string) bool
	// told are conditions and notices of the log that the quirk calls for, and
	// wrapped is how many of the rolls the gateway's own recipe wraps at least.
	told    []string
	wrapped int
}

// named is a quirk by its name among those of the simulator.
func named(name string) func(*sim.Config) {
	return func(c *sim.Config) {
		if err := c.SetQuirks(name); err != nil {
			panic(err)
		}
	}
}

func withQuirks(q controller.Quirks) func(*sim.Config) { return func(c *sim.Config) { c.Quirks = q } }

func withFaults(names ...string) func(*sim.Config) {
	return func(c *sim.Config) { c.Faults = sim.FaultConfig{Names: names, Count: 12, Seed: 5} }
}

// every answers each nth request with no.
func every(n int) func() func(string) bool {
	return func() func(string) bool {
		count := 0
		return func(string) bool { count++; return count%n == 0 }
	}
}

func quirks() []quirk {
	all := []quirk{
		{name: "none", wrapped: 38},
		{name: "late-verdict", set: named("late-verdict"), told: []string{"result-lags"}, wrapped: 38},
		{name: "strict-areas", set: named("strict-areas"), told: []string{"payload-not-readable"}, wrapped: 38},
		{name: "false-count", set: named("false-count"), told: []string{"view-false"}, wrapped: 38},
		{name: "false-roll-number", set: named("false-roll-number"), told: []string{"view-false"}, wrapped: 38},
		{name: "roll-number-back", set: named("roll-number-back"), told: []string{"roll-number-back"}, wrapped: 4},
		{name: "no-limits", set: named("no-limits"), wrapped: 38},
		{name: "strange-tags", set: named("strange-tags"), told: []string{"offer-held"}, wrapped: 19},
		{name: "rolls taken away", set: withFaults("roll-gone", "remove-roll"), wrapped: 19},
		{name: "aborts", set: withFaults("abort"), wrapped: 27},
		{name: "a flickering eye", set: withFaults("eye-flicker"), wrapped: 38},
		{name: "every fault of a line without a network", set: withFaults("all"), wrapped: 1},
		{name: "each 7th request refused", refuse: every(7), wrapped: 1},
		{name: "each 50th request refused", refuse: every(50), wrapped: 19},
	}
	for _, lag := range []int{1, 2, 5, 10} {
		told := []string{"result-lags"}
		all = append(all, quirk{fmt.Sprintf("result lags by %d", lag), withQuirks(controller.Quirks{Lag: lag}), nil, told, 38},
			quirk{fmt.Sprintf("result and last offer lag by %d", lag), withQuirks(controller.Quirks{Lag: lag, LagOffer: true}), nil, told, 38},
			quirk{fmt.Sprintf("result, last offer and phase lag by %d", lag), withQuirks(controller.Quirks{Lag: lag, LagOffer: true, LagPhase: true}), nil, nil, 38})
	}
	return all
}

// The daemon wraps a shift on controllers that do what the description allows, and
// more: the journal is sound, it says of each offer and of each roll what the
// controller's ledger says, and what the quirk is comes to the log.
func TestShiftsUnderQuirks(t *testing.T) {
	const rolls = 40
	for _, q := range quirks() {
		t.Run(q.name, func(t *testing.T) {
			if testing.Short() && strings.Contains(q.name, "lag") && !strings.HasSuffix(q.name, "10") {
				t.Skip("the greatest lag does")
			}
			var refuse func(string) bool
			if q.refuse != nil {
				refuse = q.refuse()
			}
			run := wrapQuirky(t, rolls, q.set, refuse)
			if run.err != nil {
				t.Error(run.err)
			}
			for _, p := range run.result.Problems {
				t.Error(p)
			}
			if run.disagree != nil || run.report.Overtaken > 0 {
				t.Errorf("ledger and journal differ: %v; %d gaps over rolls whose outcome came", run.disagree, run.report.Overtaken)
			}
			wrapped := run.result.Shift.Count(controller.Wrapped)
			if wrapped < q.wrapped {
				t.Errorf("%d rolls were wrapped with the recipe, want %d at least", wrapped, q.wrapped)
			}
			codes := map[string]int{}
			for _, l := range run.logs.All() {
				if code, ok := l.ContextMap()["code"].(string); ok {
					codes[code]++
				}
			}
			for _, want := range q.told {
				if codes[want] == 0 {
					t.Errorf("nobody is told %q; told were %v", want, codes)
				}
			}
			t.Logf("%+v, %d wrapped, %d sessions, %.0f s, told %v", run.report, wrapped, run.result.Shift.Sessions, run.result.Shift.Took, codes)
		})
	}
}

// wrapOver wraps a shift over a transport of its own sockets.
func wrapOver(t *testing.T, over rehearse.Transport, set func(*sim.Config)) *rehearse.Result {
	t.Helper()
	dir := t.TempDir()
	values := map[string]string{"journal.directory": dir}
	s := demo(t, values)
	c, err := rehearse.Line(&s.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	set(&c)
	if err := over.Serve(&c, s.Lines[0].Recipe.Name, dir); err != nil {
		t.Fatal(err)
	}
	line, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := line.Close(); err != nil {
			t.Error(err)
		}
	}()
	maps.Copy(values, over.Settings(line, dir))
	s = demo(t, values)
	dial := over.OwnDialer(line, c.OPCUA.Users, dir)
	if dial == nil {
		dial = (&connect.Dialers{}).Of
	}
	g, err := gateway.New(gateway.Options{
		Arm:      &gateway.Act{By: "test", Reason: "a simulated controller"},
		Snapshot: s, OpenJournal: gateway.OpenJournals(s), Log: zap.NewNop(),
		Dialer: func(l *config.Line) (link.Dialer, error) { return dial(l, func(link.Warning) {}) },
	})
	if err != nil {
		t.Fatal(err)
	}
	report, gerr, lerr := rehearse.Wrap(t.Context(), g, line)
	if err := errors.Join(gerr, lerr); err != nil {
		t.Error(err)
	}
	result, err := rehearse.Examine(t.Context(), s.Journal.Path(s.Lines[0].Recipe.Name), s.Lines[0].Recipe, report)
	if err != nil {
		t.Fatal(err)
	}
	return result
}

// What only a real link shows: exceptions of Modbus and areas that refuse all but
// whole blocks, and entries of the ring over OPC UA that nobody wrote yet.
func TestShiftsUnderQuirksOfALink(t *testing.T) {
	for _, q := range []struct {
		name      string
		transport rehearse.Transport
		quirks    controller.Quirks
		faults    []string
	}{
		{"strict areas over Modbus", rehearse.Modbus, controller.Quirks{Strict: true}, nil},
		{"exceptions of Modbus", rehearse.Modbus, controller.Quirks{}, []string{"modbus-exception"}},
		{"bad entries", rehearse.OPCUA, controller.Quirks{NeverWritten: controller.Bad}, nil},
		{"waiting entries that lag, strict", rehearse.OPCUA, controller.Quirks{NeverWritten: controller.Waiting, Strict: true, Lag: 3}, nil},
	} {
		t.Run(q.name, func(t *testing.T) {
			t.Parallel()
			const rolls = 6
			result := wrapOver(t, q.transport, func(c *sim.Config) {
				c.Speed, c.Quirks = 600, q.quirks
				c.Rolls = c.Shift(3, rolls)
				c.Faults = sim.FaultConfig{Names: q.faults, Count: rolls, Seed: 1}
			})
			report := result.Shift
			for _, p := range result.Problems {
				t.Error(p)
			}
			for _, f := range report.Faults {
				if f.Occurred == 0 {
					t.Errorf("%s never occurred", f.Fault)
				}
			}
			if n := report.Count(controller.Wrapped); n < rolls-2 {
				t.Errorf("%d of %d rolls wrapped with the recipe", n, rolls)
			}
			t.Logf("%d wrapped, %d sessions, faults %v, %.1f s", report.Count(controller.Wrapped), report.Sessions, report.Faults, report.Took)
		})
	}
}

// A floor that no epoch may be above leaves the line in shadow, with the remedy; the
// rolls are wrapped by hand, and their outcomes journaled all the same.
func TestShiftOverTheGreatestFloor(t *testing.T) {
	run := wrapQuirky(t, 10, func(c *sim.Config) {
		named("greatest-floor")(c)
		c.Shadow, c.Linger, c.Operator.Patience = true, true, time.Second
	}, nil)
	if run.err != nil || len(run.result.Problems) > 0 || run.disagree != nil {
		t.Errorf("%v; %v; %v", run.err, run.result.Problems, run.disagree)
	}
	if n := run.logs.FilterField(zap.String("code", "epoch-bound")).Len(); n != 1 || run.result.Shift.Sessions != 0 || run.result.Shift.Accepted != 0 {
		t.Errorf("told %d times, %d sessions, %d accepted", n, run.result.Shift.Sessions, run.result.Shift.Accepted)
	}
}
