package status

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

var night = time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)

// demoLine is the line of the demonstration.
func demoLine(t *testing.T) *recipe.Line {
	t.Helper()
	s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: configs.Demo()})
	if err != nil {
		t.Fatal(err)
	}
	return s.Lines[0].Recipe
}

// atStation is a line whose controller shows a roll in a phase, and the records of the
// roll.
func atStation(t *testing.T, line *recipe.Line, armed bool, phase handshake.Phase, records ...record.Record) (*Line, *record.Newest) {
	t.Helper()
	var fold record.Recent
	for i, r := range records {
		if err := fold.Add(record.Stored{Seq: uint64(i + 1), At: night.Add(time.Duration(i) * time.Second), Record: r}); err != nil {
			t.Fatal(err)
		}
	}
	return &Line{Name: "north", Armed: armed, Connected: true, At: night.Add(time.Minute), Machine: cycle.Status{
		Line: line, Seen: true, Phase: phase, Roll: 7, Tag: "R-7", Token: handshake.Token{Boot: 1, Req: 7}, Age: 100 * time.Millisecond,
	}}, fold.Newest()
}

// asks is a roll of a width, in inches, that the line of the demonstration wraps.
func asks(width float64) record.Request {
	const inch = 0.0254
	roll := recipe.Roll{Number: 7, Tag: "R-7", Diameter: 40 * inch, Width: width * inch, WidthMedian: width * inch, Quality: 1, Grade: 1, Core: 1}
	stand := recipe.Stand{Permissives: 0x3F, Mode: 1, State: 6, Platen: 175, PlatenHot: 175}
	for i := range stand.Ready {
		stand.Ready[i], stand.Outer[i] = true, 0.9
	}
	r := cycle.RequestOf(roll, stand)
	r.Token, r.Width = handshake.Token{Boot: 1, Req: 7}, uint32(width*inch*1e4)
	return r
}

// offerOf is what is decided on a request, with its records up to the verdict.
func offerOf(t *testing.T, line *recipe.Line, r record.Request, v handshake.Verdict, reason uint16) []record.Record {
	t.Helper()
	d := cycle.Decide(line, &r, &record.Basis{}, nil)
	words, err := d.Words()
	if err != nil {
		t.Fatal(err)
	}
	name := record.OfferName{Session: handshake.Session{Epoch: 1, Nonce: 2}, Offer: 1}
	return []record.Record{r, record.Intent{Token: r.Token, Roll: r.Roll, Tag: "R-7", Offer: name, Form: d.Payload.Kind, HoldReason: d.Payload.HoldReason,
		Origin: handshake.Computed, Payload: words, Findings: d.Findings}, record.Commit{Roll: 7, Offer: name}, record.Verdict{Roll: 7, Offer: name, Verdict: v, Reason: reason}}
}

// Whatever code holds the roll at the station, the page says why and what to do without
// anybody asking.
func TestPageTellsEveryHold(t *testing.T) {
	line := demoLine(t)
	r := asks(48.7)
	holds := 0
	for _, c := range append(check.Codes(), cycle.Codes()...) {
		if c.Severity != recipe.Hold {
			continue
		}
		holds++
		p := handshake.Payload{Boot: 1, Req: 7, RollNo: 7, Kind: handshake.KindHold, HoldReason: handshake.HoldReason(c.Reason), Origin: handshake.Computed, Offer: 1}
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		sentence := "What was found of " + string(c.Code) + "."
		name := record.OfferName{Offer: 1}
		l, n := atStation(t, line, true, handshake.Held, r,
			record.Intent{Token: r.Token, Roll: 7, Offer: name, Form: handshake.KindHold, Payload: words, Findings: []recipe.Finding{{Code: c.Code, Severity: recipe.Hold, Text: sentence, Where: "mill.yaml:9"}}},
			record.Commit{Roll: 7, Offer: name}, record.Verdict{Roll: 7, Offer: name, Verdict: handshake.HeldVerdict, Reason: c.Reason})
		remedy, _ := cycle.RemedyOf(c.Code)
		do := remedy.Do.String()
		if c.Code == recipe.NoSlot {
			do = "Make slot" // named for the roll; on this stand no width is wrong
		}
		body := pageOf(t, l, n)
		for _, want := range []string{"▲ Roll held: " + c.Meaning().String(), sentence, "mill.yaml:9", string(c.Code), remedy.Caution.String()} {
			if !strings.Contains(body, want) {
				t.Errorf("%s: the page does not say %q", c.Code, want)
			}
		}
		if now := nowOf(nil, l, n, time.UTC); !now.Need || len(now.Do) < 20 || c.Code != recipe.NoSlot && now.Do != do {
			t.Errorf("%s: told to do %q, want %q", c.Code, now.Do, do)
		}
	}
	if holds < 60 {
		t.Errorf("%d codes hold a roll: this test looks at too few", holds)
	}
}

func sourceOf(l *Line, n *record.Newest) Source {
	return Source{Version: "test", Lines: func() []Line { return []Line{*l} }, Newest: func(string) *record.Newest { return n }, Metrics: prometheus.NewRegistry(), Zone: time.UTC}
}

func pageOf(t *testing.T, l *Line, n *record.Newest) string {
	t.Helper()
	text, _, err := sourceOf(l, n).livePage().render()
	if err != nil {
		t.Fatal(err)
	}
	return strings.NewReplacer(`<span class="nb">`, "", "</span>", "").Replace(string(text)) // they keep words whole
}

func TestNow(t *testing.T) {
	line := demoLine(t)
	good, none := asks(48.7), asks(45.2)
	held := offerOf(t, line, none, handshake.HeldVerdict, 7)
	wider := good
	wider.Token.Req++
	again := offerOf(t, line, wider, handshake.Accepted, 0)[:3]
	shadow := func(r record.Request, verdict string) []record.Record {
		i := offerOf(t, line, r, handshake.Accepted, 0)[1].(record.Intent)
		return []record.Record{r, record.Shadow{Token: r.Token, Roll: 7, Verdict: verdict, Payload: i.Payload, Findings: i.Findings}}
	}
	for _, c := range []struct {
		name    string
		armed   bool
		phase   handshake.Phase
		records []record.Record
		change  func(*Line)
		need    bool
		state   string
		do      string
	}{
		{"empty", true, handshake.Empty, nil, nil, false, "No roll at the station", "Nothing to do"},
		{"not requested yet", true, handshake.Await, nil, nil, false, "Roll waits for its recipe", "Nothing to do: roll R-7"},
		{"go", true, handshake.Run, offerOf(t, line, good, handshake.Accepted, 0), nil, false, "Go: wrapping roll R-7", "put inner heads"},
		{"held", true, handshake.Held, held, nil, true, "Roll held: no slot of the stand has a wrapper for the roll", "Hang kraft-poly, 51.8 to 58.6 in wide, in slot 4, telling it first with lapgate hang --slot 4, then press retry at the controller."},
		{"its hold on the way", true, handshake.Await, held[:3], nil, true, "Roll held: no slot of the stand has a wrapper for the roll", "Hang kraft-poly"},
		{"tried again", true, handshake.Await, held, func(l *Line) { l.Machine.Token.Req++ }, true, "Roll held, tried again now: no slot of the stand has a wrapper for the roll", "Hang kraft-poly"},
		{"tried again, and decided", true, handshake.Await, append(held[:4:4], again...), func(l *Line) { l.Machine.Token.Req++ }, false, "Roll waits for its recipe", "the recipe of roll R-7 is on its way"},
		{"asks again", true, handshake.Await, offerOf(t, line, good, handshake.Accepted, 0), func(l *Line) { l.Machine.Token.Req++ }, false, "Roll waits for its recipe", "roll R-7 is being measured and computed"},
		{"held under another start of the controller", true, handshake.Held, held, func(l *Line) { l.Machine.Token.Boot++ }, true, "Roll held by the controller", "press retry"},
		{"held by the controller", true, handshake.Held, nil, nil, true, "Roll held by the controller", "press retry"},
		{"rejected", true, handshake.Await, offerOf(t, line, good, handshake.Rejected, handshake.RejectPermissive+3), nil, true, "the controller rejects its recipe", "which permissive is off"},
		{"shadow", false, handshake.Await, shadow(good, "go"), nil, false, "in shadow nothing is written", "Wrap roll R-7 as the line does without lapgate."},
		{"shadow, held", false, handshake.Await, shadow(none, "hold"), nil, false, "In shadow this roll would be held: no slot", "Wrap roll R-7 as the line does without lapgate."},
		{"by hand", true, handshake.ByHand, nil, nil, false, "Station in manual", "by hand"},
		{"fault", true, handshake.Fault, nil, nil, true, "Controller in fault", "press reset"},
		{"link down", true, handshake.Held, held, func(l *Line) { l.Connected, l.Error = false, "refused" }, true, "No view of the controller since 22:00:59", "Check the network"},
		{"link down since yesterday", true, handshake.Held, held, func(l *Line) { l.Connected, l.Machine.Age = false, 23*time.Hour }, true, "No view of the controller since 2026-02-28 23:01:00", "Check the network"},
		{"old view", true, handshake.Run, nil, func(l *Line) {
			l.Machine.Age, l.Machine.Conditions = 20*time.Second, []string{"controller-stands"}
		}, true, "No view of the controller since 22:00:40", "See that everybody is clear of the machine, then start the controller's program."},
		{"alarm", true, handshake.Empty, nil, func(l *Line) { l.Machine.Conditions = []string{"hold-all", "memory-lost"} }, true, "Alarm: memory lost", "Lock out, look at the station, then acknowledge the loss at the controller."},
		{"ended", true, handshake.Run, nil, func(l *Line) { l.Ended, l.Error = true, "disk full" }, true, "Line not served", "lapgate restart --line north --by NAME"},
	} {
		l, n := atStation(t, line, c.armed, c.phase, c.records...)
		if c.change != nil {
			c.change(l)
		}
		now := nowOf(nil, l, n, time.UTC)
		if now.Need != c.need || !strings.Contains(now.State, c.state) || !strings.Contains(now.Do, c.do) {
			t.Errorf("%s: %+v, want need %v, %q, %q", c.name, now, c.need, c.state, c.do)
		}
		if relief := "With the line armed this would help: Hang kraft-poly, 51.8 to 58.6 in wide, in slot 4"; strings.Contains(now.Why, relief) != (c.name == "shadow, held") {
			t.Errorf("%s: told why: %q", c.name, now.Why)
		}
		body := pageOf(t, l, n)
		for _, bad := range []string{"OFFLINE", "POLL", "WATCH", "VERDICT", "<no value>", "%!"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s: the page has %q", c.name, bad)
			}
		}
	}
}

// What comes from outside lapgate stays text on the page.
func TestPagesEscape(t *testing.T) {
	line := demoLine(t)
	r := asks(48.7)
	r.Measured.Tag = `<script>"x-7"`
	l, n := atStation(t, line, true, handshake.Run, offerOf(t, line, r, handshake.Accepted, 0)...)
	l.Machine.Tag = `<script>"x-7"`
	p, err := sourceOf(l, n).storyPage("north", 7)
	if err != nil || p == nil {
		t.Fatal(p, err)
	}
	text, err := render(nil, "roll", p)
	if err != nil {
		t.Fatal(err)
	}
	for name, body := range map[string]string{"live": pageOf(t, l, n), "roll": string(text)} {
		if strings.Contains(body, `<script>"x`) || !strings.Contains(body, "&lt;script&gt;") {
			t.Errorf("the %s page has the tag unescaped, or not at all", name)
		}
	}
	for _, want := range []string{"Wrapper rolls on the stand", "taken: nearest to the best overhang", "too narrow", "Exchange with the controller", "L = (πN(D &#43; N·t)", "bond not reached", "The controller&#39;s verdict: accepted"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the roll's page does not say %q", want)
		}
	}
	if other, err := sourceOf(l, n).storyPage("north", 8); other != nil || err != nil {
		t.Errorf("roll 8: %v, %v", other, err)
	}
}

// What is kept of a roll says in which zone its times are, parts no number from its unit,
// and has each formula at the setpoint that comes of it.
func TestRollPageCanBeFollowed(t *testing.T) {
	line := demoLine(t)
	l, n := atStation(t, line, true, handshake.Run, offerOf(t, line, asks(48.7), handshake.Accepted, 0)...)
	source := sourceOf(l, n)
	source.Zone = time.FixedZone("EST", -5*60*60)
	p, err := source.storyPage("north", 7)
	if err != nil || p == nil {
		t.Fatal(p, err)
	}
	text, err := render(nil, "roll", p)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"came 2026-03-01 17:00:00 EST", `<dd><span class="nb">48.7 in</span> ± <span class="nb">`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the roll's page does not say %q", want)
		}
	}
	for name, want := range map[string]string{"header_dwell_s": "p = F/A", "platen_stroke_m": "", "feed_length_m": "L = ", "crimp_time_s": "S = ", "crimper_position_m": "", "turning_hz": "f = ", "roll_centre_height_m": "h = "} {
		i := slices.IndexFunc(p.Story.Settings, func(s report.Setting) bool { return s.Name == name })
		if i < 0 {
			t.Fatalf("the page has no setpoint %s", name)
		}
		if got := p.Story.Settings[i].Formula; !strings.HasPrefix(got, want) || want == "" && got != "" {
			t.Errorf("the formula at %s is %q, want %q", name, got, want)
		}
	}
}

// A roll that left on another day is listed with it.
func TestLastRollsNameTheirDay(t *testing.T) {
	p := livePanels{LineView: LineView{At: night}, zone: time.UTC}
	for ago, want := range map[time.Duration]string{time.Hour: "21:00", 25 * time.Hour: "Sat 21:00", 30 * 24 * time.Hour: "2026-01-30 22:00"} {
		if got := p.Hour(night.Add(-ago)); got != want {
			t.Errorf("%v ago: got %q, want %q", ago, got, want)
		}
	}
}
