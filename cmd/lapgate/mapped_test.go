package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/replay/replaytest"
	"lapgate/sim"
	"lapgate/sim/controller"
	simmapped "lapgate/sim/mapped"
	"lapgate/sim/modbus"
	simopcua "lapgate/sim/opcua"
)

// mappedRolls is a short shift in the normal run; a whole one is 40.
var (
	mappedRolls  = flag.Int("mapped-rolls", 4, "rolls of the shift over a mapped profile")
	mappedFaults = flag.String("mapped-faults", "controller-restart", "faults that strike in the shift with faults, by name, separated by commas")
)

// tagsYAML are tags of the simulated controller as a configuration has them.
func tagsYAML(tags []simmapped.Tag, nodes bool) string {
	var b strings.Builder
	for i, t := range tags {
		fmt.Fprintf(&b, "        - {field: %s, type: %s", t.Name, t.Type)
		switch {
		case nodes:
			fmt.Fprintf(&b, ", node: %q", t.Node)
		case i%2 == 0: // both notations
			fmt.Fprintf(&b, ", register: %d", 40001+t.Address)
		default:
			fmt.Fprintf(&b, ", address: 0x%X", t.Address)
		}
		if t.Bit >= 0 && !nodes {
			fmt.Fprintf(&b, ", bit: %d", t.Bit)
		}
		if t.Length > 0 {
			fmt.Fprintf(&b, ", length: %d", t.Length)
		}
		if t.Scale != 1 {
			fmt.Fprintf(&b, ", scale: %g", t.Scale)
		}
		if t.Unit != "" {
			fmt.Fprintf(&b, ", unit: %q", t.Unit)
		}
		b.WriteString("}\n")
	}
	return b.String()
}

// mappedConfig is the demo's configuration with tags in place of blocks.
func mappedConfig(t *testing.T, dir, controller, mapped string, overrides ...string) *config.Snapshot {
	t.Helper()
	text := string(configs.Demo())
	const blocks = "    controller:\n      protocol: modbus-tcp\n      address: 127.0.0.1:1502\n"
	if strings.Count(text, blocks) != 1 {
		t.Fatalf("the demo's configuration has no %q", blocks)
	}
	text = strings.Replace(text, blocks, "    mapped:\n"+mapped+"    controller:\n      profile: mapped\n"+controller, 1)
	set := map[string]string{"journal.directory": dir}
	for _, o := range patient {
		k, v, _ := strings.Cut(o, "=")
		set["lines.0.controller."+k] = v
	}
	for _, o := range overrides {
		k, v, _ := strings.Cut(o, "=")
		set[k] = v
	}
	s, err := config.Load(config.Source{Path: "mapped.yaml", Bytes: []byte(text), Set: set})
	if err != nil {
		t.Fatal(err)
	}
	s.Lines[0].Controller.Times.RequestTimeout = time.Minute // longer than one may configure
	return s
}

// mappedShift wraps a shift over the tags of a controller and checks that both
// sides tell the same story of it. Without an act of arming the line is in shadow.
func mappedShift(t *testing.T, s *config.Snapshot, line *sim.Sim, arm *gateway.Act, shown *looks) (*sim.Report, []record.Stored) {
	t.Helper()
	p := &program{stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	log := zap.NewNop()
	if testing.Verbose() {
		log = zap.NewExample()
	}
	g, err := gateway.New(gateway.Options{Snapshot: s, Arm: arm, Dialer: p.dialers(log), OpenJournal: gateway.OpenJournals(s), OnRecord: shown.recorded, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	shift, end := context.WithCancel(t.Context())
	go func() {
		err := g.Run(context.Background())
		end()
		ended <- err
	}()
	report, err := line.Run(shift)
	g.Stop()
	if err := <-ended; err != nil {
		t.Errorf("the gateway ended with %v", err)
	}
	if err != nil {
		t.Fatalf("the shift ended with %v; the line says %q", err, g.Lines()[0].Error)
	}
	if err := report.Err(); err != nil {
		t.Error(err)
	}
	path := s.Journal.Path(s.Lines[0].Recipe.Name)
	verified, err := journal.Verify(t.Context(), path)
	if err != nil || len(verified.Problems) > 0 {
		t.Fatalf("journal: %v, %v", err, verified)
	}
	if replaytest.Same(t, path, replaytest.Configuration{Hash: s.Hash, Line: s.Lines[0].Recipe}) == 0 {
		t.Error("no round was decided again")
	}
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }() // only read
	records, err := r.List(t.Context(), journal.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	return report, records
}

// sameStory holds the journal to what the simulated controller reports.
func sameStory(t *testing.T, report *sim.Report, records []record.Stored) {
	t.Helper()
	accepted, held, outcomes := 0, 0, map[uint32]handshake.OutcomeKind{}
	for _, s := range records {
		switch r := s.Record.(type) {
		case record.Verdict:
			switch r.Verdict {
			case handshake.Accepted:
				accepted++
			case handshake.HeldVerdict:
				held++
			}
		case record.Outcome:
			outcomes[r.Outcome.RollNo] = r.Outcome.Outcome
		case record.Gap:
			t.Errorf("the journal has a gap: %+v", r)
		}
	}
	if len(report.Rolls) != *mappedRolls || accepted != report.Accepted || held != report.Held || report.Rejected != 0 || accepted == 0 {
		t.Errorf("%d rolls; journal has %d accepted and %d held, the controller %d, %d and %d rejected",
			len(report.Rolls), accepted, held, report.Accepted, report.Held, report.Rejected)
	}
	if len(outcomes) != len(report.Rolls) || report.Acknowledged != report.Produced {
		t.Errorf("journal has %d outcomes of %d rolls; the controller made %d and knows of %d", len(outcomes), len(report.Rolls), report.Produced, report.Acknowledged)
	}
	good, judged := report.Good()
	t.Logf("%d rolls, %d accepted, %d held, %d of %d wraps good, %.1f s", len(report.Rolls), accepted, held, good, judged, report.Took)
}

// typedNodes serves a line as typed OPC UA nodes, one for each tag.
func typedNodes(t *testing.T, line *sim.Sim) *simopcua.Server {
	t.Helper()
	srv, err := simopcua.Listen(t.Context(), simopcua.Config{Addr: "127.0.0.1:0", Line: "north", Plain: true, Anonymous: true}, line.Image())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	if err := simmapped.Serve(srv, line.Image()); err != nil {
		t.Fatal(err)
	}
	return srv
}

// mappedLine is the demo's line without a server of its own.
func mappedLine(t *testing.T, seed uint64, faults ...string) *sim.Sim {
	t.Helper()
	p := &program{stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	demo, err := p.loadSource(config.Source{Path: demoName, Bytes: []byte(patientDemo(t))})
	if err != nil {
		t.Fatal(err)
	}
	c, err := rehearse.Line(&demo.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	c.Modbus.Addr = ""
	f := simFlags{seed: seed, speed: 2000, rolls: *mappedRolls, faults: faults}
	if err := f.put(&c, demo.Lines[0].Recipe); err != nil {
		t.Fatal(err)
	}
	c.Limit = time.Hour
	if len(faults) > 0 {
		c.Faults.Count = 1
	}
	line, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = line.Close() })
	return line
}

// listenTags serves the tags of a line over Modbus until the test ends.
func listenTags(t *testing.T, c simmapped.Config, image *controller.Image) *modbus.Server {
	t.Helper()
	srv, err := modbus.Listen(t.Context(), "127.0.0.1:0", 1, simmapped.NewRegisters(image, c), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	return srv
}

func TestMappedShiftInEveryWordOrder(t *testing.T) {
	t.Parallel()
	for i, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
		t.Run(order, func(t *testing.T) {
			t.Parallel()
			line := mappedLine(t, uint64(i+1))
			swapped := i%2 == 1
			srv := listenTags(t, simmapped.Config{Order: order, Swapped: swapped}, line.Image())
			letters := "AB"
			if swapped {
				letters = "BA"
			}
			s := mappedConfig(t, t.TempDir(), "      address: "+srv.Addr()+"\n",
				"      word_order: "+order+"\n      text_order: "+letters+"\n      tags:\n"+tagsYAML(simmapped.Tags(), false))
			for _, w := range s.Warnings {
				t.Errorf("every field is mapped, and yet: %s", w)
			}
			report, records := mappedShift(t, s, line, &gateway.Act{By: "test", Reason: "a simulated controller"}, new(looks))
			sameStory(t, report, records)
		})
	}
}

// A controller with the least: no generation, clock, session, verdict or
// checksum. What it cannot give is waived by name, and the shift is wrapped
// all the same as long as nothing goes wrong.
func TestMappedShiftWithTheLeast(t *testing.T) {
	t.Parallel()
	without := []string{
		"request.gen_head", "request.gen_tail", "request.boot_id", "request.tick", "request.active_epoch", "request.active_nonce",
		"request.epoch_floor", "request.flags.bit1", "request.flags.bit5", "request.permissives", "request.result_offer",
		"request.result_verdict", "request.result_epoch", "request.result_nonce", "request.result_req_id", "request.scan_quality",
		"request.unit_mode", "request.unit_state", "request.slots_ready",
		"request.outcomes_produced", "request.outcomes_acknowledged",
		"payload.epoch", "payload.nonce", "payload.boot_id", "payload.req_id", "payload.config_hash", "payload.roll_tag",
		"commit.payload_crc", "commit.tick",
	}
	line := mappedLine(t, 5)
	srv := listenTags(t, simmapped.Config{Order: "CDAB", Without: without}, line.Image())
	s := mappedConfig(t, t.TempDir(), "      address: "+srv.Addr()+"\n",
		"      word_order: CDAB\n      text_order: AB\n      waive: [S1, S2, S4, S6, S7, S8, S9, S10]\n      tags:\n"+tagsYAML(simmapped.Tags(without...), false))
	told := map[string]bool{}
	for _, w := range s.Warnings {
		told[strings.Fields(w.Text)[0]] = true
	}
	for _, g := range []string{"S1", "S2", "S4", "S6", "S7", "S8", "S9", "S10"} {
		if !told[g] {
			t.Errorf("no warning tells that %s is not given: %v", g, s.Warnings)
		}
	}
	report, records := mappedShift(t, s, line, &gateway.Act{By: "test", Reason: "a simulated controller"}, new(looks))
	sameStory(t, report, records)
}

// With every field mapped the guarantees hold under faults too: the simulated
// controller watches them, and each roll is accounted for.
func TestMappedShiftWithFaults(t *testing.T) {
	t.Parallel()
	line := mappedLine(t, 8, strings.Split(*mappedFaults, ",")...)
	srv := listenTags(t, simmapped.Config{Order: "DCBA"}, line.Image())
	s := mappedConfig(t, t.TempDir(), "      address: "+srv.Addr()+"\n",
		"      word_order: DCBA\n      text_order: AB\n      tags:\n"+tagsYAML(simmapped.Tags(), false))
	report, _ := mappedShift(t, s, line, &gateway.Act{By: "test", Reason: "a simulated controller"}, new(looks))
	struck := 0
	for _, f := range report.Faults {
		struck += f.Occurred
	}
	if struck == 0 || len(report.Rolls) != *mappedRolls || report.Acknowledged != report.Produced {
		t.Errorf("%d faults struck; %d rolls; %d of %d outcomes acknowledged", struck, len(report.Rolls), report.Acknowledged, report.Produced)
	}
}

func TestMappedShiftOverTypedNodes(t *testing.T) {
	t.Parallel()
	line := mappedLine(t, 6)
	srv := typedNodes(t, line)
	s := mappedConfig(t, t.TempDir(), "      protocol: opcua\n      address: "+srv.URL()+"\n      opcua: {policy: None, mode: None}\n",
		"      tags:\n"+tagsYAML(simmapped.Tags(), true))
	report, records := mappedShift(t, s, line, &gateway.Act{By: "test", Reason: "a simulated controller"}, new(looks))
	sameStory(t, report, records)
}

// In shadow nothing is written over tags either: not one variable of the
// gateway is touched in a whole shift.
func TestMappedShadowWritesNothing(t *testing.T) {
	t.Parallel()
	p := &program{stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	demo, err := p.loadSource(config.Source{Path: demoName, Bytes: []byte(patientDemo(t))})
	if err != nil {
		t.Fatal(err)
	}
	c, err := rehearse.Line(&demo.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	var shown looks
	c.Modbus.Addr, c.Limit, c.Shadow = "", time.Hour, true
	c.Operator.Patience, c.Operator.Looked = 100*time.Millisecond, shown.looked
	f := simFlags{seed: 7, speed: 2000, rolls: *mappedRolls}
	if err := f.put(&c, demo.Lines[0].Recipe); err != nil {
		t.Fatal(err)
	}
	line, err := sim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = line.Close() })
	counter := &writes{}
	srv := listenTags(t, simmapped.Config{Order: "ABCD", OnWrite: counter.add}, line.Image())
	s := mappedConfig(t, t.TempDir(), "      address: "+srv.Addr()+"\n",
		"      word_order: ABCD\n      text_order: AB\n      tags:\n"+tagsYAML(simmapped.Tags(), false))
	report, records := mappedShift(t, s, line, nil, &shown)
	kinds := map[record.Kind]int{}
	for _, r := range records {
		kinds[r.Record.Kind()]++
	}
	if n := counter.n.Load(); n != 0 || kinds[record.KindShadow] < *mappedRolls || len(report.Rolls) != *mappedRolls {
		t.Errorf("%d writes, %d recipes in shadow, %d rolls; want no write and a recipe for the rolls that wait", n, kinds[record.KindShadow], len(report.Rolls))
	}
	// The last roll may end the shift before its outcome is read.
	if n := kinds[record.KindOutcome]; n < *mappedRolls-1 || kinds[record.KindGap] > 0 {
		t.Errorf("%d outcomes and %d gaps of %d rolls", n, kinds[record.KindGap], *mappedRolls)
	}
}

// writes counts requests that write.
type writes struct{ n atomic.Int64 }

func (w *writes) add() { w.n.Add(1) }

// awaitRoll waits until a measured roll waits at a simulated line.
func awaitRoll(t *testing.T, line *sim.Sim) {
	t.Helper()
	for ; ; <-time.After(time.Millisecond) {
		var req handshake.Request
		words := line.Image().Request()
		if handshake.DecodeRequest(words[:], &req) == nil && req.Phase == handshake.Await && req.Diameter > 0 {
			return
		}
	}
}

// lookAt looks at the line of a configuration, and anew where a busy machine let the
// connection break, or a sound look was overtaken by what the controller wrote.
func lookAt(t *testing.T, p *program, s *config.Snapshot, sound bool) inspect.LineReport {
	t.Helper()
	for {
		look := inspect.Lines(t.Context(), &p.connections, s, []*config.Line{&s.Lines[0]}, 10*time.Minute)[0]
		if !slices.ContainsFunc(look.Items, func(i inspect.Item) bool {
			return i.Verdict == inspect.Fail && (i.Subject == "connection" || sound && strings.Contains(i.Got, "read again"))
		}) {
			return look
		}
	}
}

// check --online reads a mapped controller through its tags as it does one
// with blocks.
func TestMappedOnline(t *testing.T) {
	t.Parallel()
	line := mappedLine(t, 9)
	counter := &writes{}
	srv := listenTags(t, simmapped.Config{Order: "BADC", OnWrite: counter.add}, line.Image())
	running, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		_, _ = line.Run(running) // it is stopped, and says so
		close(ended)
	}()
	defer func() { stop(); <-ended }()
	p := &program{stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	second := simmapped.Tags()[1].Name
	for _, c := range []struct {
		set, order, failed, warned string
	}{
		{"lines.0.controller.plain=true", "BADC", "", ""},
		{"lines.0.mapped.tags.1.address=9", "BADC", "tag " + second, ""}, // where there is no register
		{"lines.0.controller.plain=true", "DCBA", "tag ", "BADC makes the most sense"},
	} {
		awaitRoll(t, line)
		s := mappedConfig(t, t.TempDir(), "      address: "+srv.Addr()+"\n",
			"      word_order: "+c.order+"\n      text_order: AB\n      tags:\n"+tagsYAML(simmapped.Tags(), false), c.set)
		look := lookAt(t, p, s, c.failed == "")
		failed, warned := "", ""
		for _, item := range look.Items {
			switch item.Verdict {
			case inspect.Fail:
				failed += item.Subject + ": " + item.Got + "; "
				if item.Remedy == "" {
					t.Errorf("no remedy: %s", item)
				}
			case inspect.Warn:
				warned += item.Subject + ": " + item.Got + "; "
			}
		}
		if (failed == "") != (c.failed == "") || !strings.Contains(failed, c.failed) || look.Unreachable {
			t.Fatalf("with %s: failed %q, want %q", c.set, failed, c.failed)
		}
		if !strings.Contains(warned, "a wrong order often reads as plausible numbers") || !strings.Contains(warned, c.warned) {
			t.Errorf("with %s %s: warned %q, want %q", c.order, c.set, warned, c.warned)
		}
		if len(look.Tags) != len(simmapped.Tags()) {
			t.Fatalf("%d tags were looked at of %d", len(look.Tags), len(simmapped.Tags()))
		}
		var text bytes.Buffer
		if err := (&program{stdout: &text, env: []string{"COLUMNS=300"}}).printer(outputFlags{}, nil).Print(look); err != nil {
			t.Fatal(err)
		}
		wants(t, text.String(), `^request\.diameter +controller to gateway +register `, `^in every word order$`, `^tag +configured +ABCD +CDAB +BADC +DCBA$`,
			`^request\.diameter +`+c.order+` `)
		for _, x := range look.Tags {
			missing := c.failed == "tag "+x.Field
			if x.Exists == missing || missing != (x.Value == "") || x.Access != "" || x.TypeThere != "" || x.AgeOf != "read" || x.Age < 0 {
				t.Errorf("with %s: %+v", c.set, x)
			}
		}
	}
	if n := counter.n.Load(); n != 0 {
		t.Errorf("%d writes by a check that only reads", n)
	}
}

// Over typed nodes the server tells existence, type, access and time.
func TestMappedOnlineOverTypedNodes(t *testing.T) {
	t.Parallel()
	line := mappedLine(t, 10)
	srv := typedNodes(t, line)
	running, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		_, _ = line.Run(running) // it is stopped, and says so
		close(ended)
	}()
	defer func() { stop(); <-ended }()
	p := &program{stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	for _, c := range []struct{ node, typ, failed string }{
		{"", "", ""},
		{"ns=2;s=nobody", "", "ns=2;s=nobody"},
		{"", "float64", "float32"},
	} {
		tags := simmapped.Tags()
		i := slices.IndexFunc(tags, func(t simmapped.Tag) bool { return t.Name == "request.diameter" })
		if c.node != "" {
			tags[i].Node = c.node
		}
		if c.typ != "" {
			tags[i].Type = c.typ
		}
		s := mappedConfig(t, t.TempDir(), "      protocol: opcua\n      address: "+srv.URL()+"\n      opcua: {policy: None, mode: None}\n",
			"      tags:\n"+tagsYAML(tags, true))
		look := lookAt(t, p, s, c.failed == "")
		failed := ""
		for _, item := range look.Items {
			if item.Verdict == inspect.Fail {
				failed += item.Subject + ": " + item.Got + "; "
			}
		}
		if (failed == "") != (c.failed == "") || !strings.Contains(failed, c.failed) || look.Unreachable {
			t.Fatalf("%+v: failed %q", c, failed)
		}
		for k, x := range look.Tags {
			if (k == i && c.node != "") == x.Exists {
				t.Errorf("%s of %+v: exists %v", x.Field, c, x.Exists)
			}
			if x.Exists && (strings.Contains(x.Access, "write") != tags[k].Writable || x.TypeThere == "") {
				t.Errorf("%s: access %q and type %q, writable %v", x.Field, x.Access, x.TypeThere, tags[k].Writable)
			}
		}
		if len(look.Tags) != len(tags) || len(look.Orders) != 0 {
			t.Errorf("%d tags and %d word orders", len(look.Tags), len(look.Orders))
		}
	}
}
