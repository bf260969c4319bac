package status

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

func TestMetrics(t *testing.T) {
	registry := prometheus.NewRegistry()
	m, err := NewMetrics(registry)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewMetrics(registry); err == nil {
		t.Error("the same names were registered twice")
	}
	at := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	for i, r := range []record.Record{
		record.Session{Cause: "start"},
		record.Request{Roll: 7},
		record.Verdict{Roll: 7, Verdict: handshake.Rejected, Reason: 13},
		record.Void{Roll: 8},
		record.Outcome{Outcome: handshake.Outcome{RollNo: 7, Outcome: handshake.Removed}},
		record.Gap{Cause: "lost"},
	} {
		m.Recorded("north", record.Stored{Seq: uint64(i + 1), At: at.Add(time.Duration(i) * time.Second), Record: r}, 2*time.Millisecond)
	}
	m.BadView("north", "crc")
	m.Seen("north", &handshake.Request{Produced: 9, Acked: 4, StaleCommits: 2, Overwritten: 1})
	m.Notified("north", "offer-rejected", cycle.Warning)
	m.DialFailed("north")
	m.Refused("north", handshake.COMMIT)
	m.WriteForbidden("north")
	m.JournalFailed("north")
	m.Line(&Line{Name: "north", Armed: true, Pair: &Pair{Acts: true, Since: time.Unix(1700000000, 0), Lease: 7, OtherThere: true}, Machine: cycle.Status{Counts: []cycle.Count{{Key: "resends/ACK", N: 3}}},
		Alarms: []alarm.Alarm{{Key: "payload-differs", Priority: alarm.Medium, State: alarm.Returned}}})
	m.CertificateEnds("north", "own", at)
	m.Engine("north", Engine{Connected: true, Record: 4711, Backlog: 3, Since: at, Stopped: true, Others: []OtherMachine{{Machine: "b", Record: 12}}})

	m.Line(&Line{Name: "south", Pair: &Pair{}})
	w := httptest.NewRecorder()
	Handler(Source{Metrics: registry, Lines: func() []Line { return nil }}).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	got := strings.Split(w.Body.String(), "\n")
	for _, want := range []string{
		`lapgate_acknowledge_lag{line="north"} 5`,
		`lapgate_pair_acts{line="north"} 1`,
		`lapgate_pair_since_seconds{line="north"} 1.7e+09`,
		`lapgate_pair_since_seconds{line="south"} 0`,
		`lapgate_pair_lease{line="north"} 7`,
		`lapgate_pair_engine_connected{line="north"} 1`,
		`lapgate_pair_other_present{line="north"} 1`,
		`lapgate_engine_connected{line="north"} 1`,
		`lapgate_engine_record{line="north"} 4711`,
		`lapgate_engine_backlog_records{line="north"} 3`,
		`lapgate_engine_backlog_since_seconds{line="north"} 1.7724024e+09`,
		`lapgate_engine_shipping_stopped{line="north"} 1`,
		`lapgate_engine_other_record{line="north",machine="b"} 12`,
		`lapgate_armed{line="north"} 1`,
		`lapgate_connected{line="north"} 0`,
		`lapgate_gaps_total{line="north"} 1`,
		`lapgate_handshake_total{key="resends/ACK",line="north"} 3`,
		`lapgate_invalid_reads_total{cause="crc",line="north"} 1`,
		`lapgate_offers_total{line="north",reason="none",verdict="void"} 1`,
		`lapgate_offers_total{line="north",reason="too_late",verdict="rejected"} 1`,
		`lapgate_outcomes_total{line="north",outcome="removed"} 1`,
		`lapgate_sessions_total{cause="start",line="north"} 1`,
		`lapgate_stale_commits{line="north"} 2`,
		`lapgate_writes_forbidden_total{line="north"} 1`,
		`lapgate_request_to_verdict_seconds_sum{line="north"} 1`,
		`lapgate_journal_append_seconds_count{line="north"} 6`,
		`lapgate_refused_total{block="COMMIT",line="north"} 1`,
		`lapgate_dial_failures_total{line="north"} 1`,
		`lapgate_journal_faults_total{line="north"} 1`,
		`lapgate_notices_total{code="offer-rejected",level="warning",line="north"} 1`,
		`lapgate_outcomes_overwritten{line="north"} 1`,
		`lapgate_alarm{alarm="payload-differs",line="north",priority="medium",state="returned"} 1`,
		`lapgate_certificate_end_seconds{certificate="own",line="north"} 1.7724024e+09`,
	} {
		if !slices.Contains(got, want) {
			t.Errorf("no line %s in\n%s", want, w.Body.String())
		}
	}
	if len(m.asked) != 0 {
		t.Errorf("rolls that left are still remembered: %v", m.asked)
	}
}

// TestRules: each series of the alerting rules is one that is given.
func TestRules(t *testing.T) {
	registry := prometheus.NewRegistry()
	m, err := NewMetrics(registry)
	if err != nil {
		t.Fatal(err)
	}
	m.Line(&Line{Name: "north", Alarms: []alarm.Alarm{{Key: "link-down"}}})
	m.CertificateEnds("north", "own", time.Now())
	m.Engine("north", Engine{})
	m.Seen("north", &handshake.Request{})
	m.Recorded("north", record.Stored{Record: record.Gap{}}, time.Second)
	m.Recorded("north", record.Stored{Record: record.Request{Roll: 1}}, time.Second)
	m.Recorded("north", record.Stored{Record: record.Verdict{Roll: 1}}, time.Second)
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	given := map[string]bool{}
	for _, f := range families {
		given[f.GetName()] = true
	}
	rules, err := os.ReadFile("../../configs/prometheus-rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile(`lapgate_[a-z_]+`).FindAllString(string(rules), -1)
	if len(named) < 10 {
		t.Fatalf("the rules name %d series", len(named))
	}
	for _, name := range named {
		if !given[strings.TrimSuffix(name, "_bucket")] {
			t.Errorf("the rules name %s, and no metric has that name", name)
		}
	}
}

// TestNilMetrics proves that a gateway without metrics can count all the same.
func TestNilMetrics(t *testing.T) {
	var m *Metrics
	m.Recorded("north", record.Stored{Record: record.Gap{}}, 0)
	m.Seen("north", &handshake.Request{})
	m.BadView("north", "crc")
	m.Notified("north", "x", cycle.Info)
	m.DialFailed("north")
	m.Refused("north", handshake.ACK)
	m.WriteForbidden("north")
	m.JournalFailed("north")
	m.Line(&Line{})
	if m != nil {
		t.Error("a nil *Metrics became something")
	}
}

func TestPages(t *testing.T) {
	lines := []Line{
		{Name: "north", Connected: true, Armed: true, At: time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC), Machine: cycle.Status{Seen: true, Phase: handshake.Await, Tag: `<script>"R-1"`, Produced: 12, State: cycle.StatePoll}},
		{Name: "south", Error: "dial: refused", Ended: true, At: time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)},
		{Name: "west", Error: "the disk\x1b[2J\u202e is full\u009b", Ended: true, At: time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC), Again: time.Date(2026, 3, 1, 22, 5, 0, 0, time.UTC), Machine: cycle.Status{State: cycle.StatePoll}},
	}
	server, err := Listen(context.Background(), "127.0.0.1:0", config.Access{}, Source{
		Version: "test", Lines: func() []Line { return lines }, Metrics: prometheus.NewRegistry(), Zone: time.UTC,
	})
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	do := func(method, path string) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(context.Background(), method, "http://"+server.Addr()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if err := resp.Body.Close(); err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	for _, c := range []struct {
		method, path string
		code         int
		want         string
	}{
		{"GET", "/health", 503, "north: ok\nsouth: ended\nwest: not served, opened again by itself\n"},
		{"GET", "/status.json", 200, `"version": "test"`},
		{"GET", "/status.json", 200, `"error": "dial: refused"`},
		{"GET", "/status.json", 200, `"state": "POLL"`},
		{"GET", "/status.json", 200, `"outcomes_produced": 12`},
		{"GET", "/", 200, `&lt;script&gt;`},
		{"GET", "/", 200, "Line not served"},
		{"GET", "/", 200, `the disk\x1b[2J\u202e is full`},
		{"GET", "/", 200, `lapgate restart <span class="nb">--line south</span> <span class="nb">--by NAME.</span>`},
		{"GET", "/", 200, "the line is opened again by itself, in shadow, at 22:05:00"},
		{"GET", "/status.json", 200, `"again": "2026-03-01T22:05:00Z"`},
		{"GET", "/status.json", 200, `"error": "the disk\u001b[2J\u202e is full\u009b"`},
		{"GET", "/metrics", 200, ""},
		{"GET", "/elsewhere", 404, ""},
		{"POST", "/", 405, ""},
		{"PUT", "/status.json", 405, ""},
		{"DELETE", "/health", 405, ""},
	} {
		code, body := do(c.method, c.path)
		if code != c.code || !strings.Contains(body, c.want) {
			t.Errorf("%s %s: got %d %q, want %d with %q", c.method, c.path, code, body, c.code, c.want)
		}
	}
	if _, body := do("GET", "/"); strings.Contains(body, "POLL") {
		t.Error("the page shows the name of a state, which tells a person nothing")
	}
	lines = lines[:2]
	lines[1].Ended, lines[1].Connected = false, true
	if code, body := do("GET", "/health"); code != 200 || body != "north: ok\nsouth: ok\n" {
		t.Errorf("health: got %d %q", code, body)
	}
	if err := server.Close(); err != nil {
		t.Error(err)
	}
}

func TestListenOnLoopbackOnly(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:80", "example.com:80", "nonsense", ""} {
		s, err := Listen(context.Background(), addr, config.Access{Token: "without TLS it is read by anybody"}, Source{})
		if err == nil {
			t.Errorf("%q was listened on", addr)
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

// A condition is shown with the state of its alarm, and an alarm whose cause is gone until
// somebody has seen it.
func TestStandingTellsItsAlarm(t *testing.T) {
	l := Line{Name: "north", Machine: cycle.Status{Conditions: []string{"link-down", "controller-stands", "hold-all"}}, Alarms: []alarm.Alarm{
		{Key: "controller-stands", State: alarm.Unacknowledged},
		{Key: "fenced", State: alarm.Returned},
		{Key: "line-ended", State: alarm.Returned},
		{Key: "shadow", State: alarm.Acknowledged, Active: true, By: "kim"},
		{Key: "link-down", State: alarm.Shelved, By: "kim"},
		{Key: "payload-differs", State: alarm.OutOfService, By: "kim"},
	}}
	v := Source{}.viewOf(&l, &record.Newest{})
	var got []string
	for _, s := range v.Standing {
		if s.Meaning == "" || s.Level == "" {
			t.Errorf("%+v says nothing", s)
		}
		got = append(got, s.Code+": "+s.Alarm)
	}
	for _, s := range v.Standing[3:5] { // told once, or over
		over := strings.Contains(s.Remedy, "It is over")
		if over != (s.Code == "line-ended") || !strings.HasSuffix(s.Remedy, "lapgate alarms ack "+s.Code+" --by NAME.") || !over && !strings.HasPrefix(s.Remedy, "Find out which gateway should serve the line") {
			t.Errorf("%s: told to do %q", s.Code, s.Remedy)
		}
	}
	if s := v.Standing[5]; s.Remedy != "See to what the text names, walk the line, then arm it: lapgate arm." {
		t.Errorf("%s stands, and is told as %q", s.Code, s.Remedy)
	}
	if text := strings.Join(got, ", "); text != "link-down: shelved by kim, controller-stands: unacknowledged, hold-all: , fenced: returned, line-ended: returned, shadow: acknowledged by kim" || len(v.Alarms) != 6 {
		t.Errorf("shown are %s, and %d alarms", text, len(v.Alarms))
	}
}

func TestArmingWords(t *testing.T) {
	since := time.Date(2026, 3, 2, 22, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		view LineView
		want string
	}{
		{LineView{}, "Shadow, nothing is written"},
		{LineView{Arming: Arming{By: "kim", Since: since}}, "Shadow, nothing is written, by kim since Mon 22:00"},
		{LineView{Armed: true, Arming: Arming{By: "kim", Since: since, Why: "shift 3"}}, "Armed, by kim since Mon 22:00, until lapgate ends: shift 3"},
		{LineView{Armed: true, Arming: Arming{By: "kim", Since: since, Why: "shift 3", Lasts: &record.Lasting{}}}, "Armed, by kim since Mon 22:00, until disarmed: shift 3"},
		{LineView{Armed: true, Arming: Arming{By: "kim", Since: since, Why: "shift 3", Lasts: &record.Lasting{Until: since.Add(8 * time.Hour)}}}, "Armed, by kim since Mon 22:00, until Tue 06:00: shift 3"},
		{LineView{Armed: true, Arming: Arming{By: "kim", Since: since, Why: "shift 3", Lasts: &record.Lasting{Rolls: 5}}}, "Armed, by kim since Mon 22:00, for 5 rolls: shift 3"},
		{LineView{Armed: true, Arming: Arming{By: "kim", Since: since, Lasts: &record.Lasting{Rolls: 1}}}, "Armed, by kim since Mon 22:00, for 1 roll"},
		{LineView{At: since.AddDate(0, 0, 5), Armed: true, Arming: Arming{By: "kim", Since: since, Lasts: &record.Lasting{}}}, "Armed, by kim since Mon 22:00, until disarmed"},
		{LineView{At: since.AddDate(0, 0, 7), Armed: true, Arming: Arming{By: "kim", Since: since, Lasts: &record.Lasting{}}}, "Armed, by kim since 2026-03-02 22:00, until disarmed"},
	} {
		if got := c.view.ArmingWords(nil, time.UTC); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// TestEngineWords says how far a journal has arrived, since when nothing does, and what
// came of the other machine.
func TestEngineWords(t *testing.T) {
	at := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		at   *Engine
		want string
	}{
		{nil, ""},
		{&Engine{Backlog: 3}, "No connection to the engine yet, 3 records wait"},
		{&Engine{Error: "no route"}, "▲ No connection to the engine: no route"},
		{&Engine{Error: "no route", Backlog: 7, Since: at}, "▲ Nothing gets into the engine, 7 records wait since Sun 22:00: no route"},
		{&Engine{Known: true, Record: 4711, Backlog: 2, Others: []OtherMachine{{Machine: "b", Record: 12}, {Machine: "c", Record: 1}}},
			"In the engine up to record 4711, 2 wait; b up to record 12; c up to record 1"},
	} {
		v := LineView{Engine: c.at}
		if got := v.EngineWords(nil, time.UTC); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// TestPairWords says who acts on a line, and what is known of engine and other machine.
func TestPairWords(t *testing.T) {
	at := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		at   *Pair
		want string
	}{
		{nil, ""},
		{&Pair{Role: "STANDBY", Since: at}, "Stands by since 22:00:00; nobody acts"},
		{&Pair{Role: "STANDBY", Since: at, Holder: "b", Other: "b", OtherThere: true}, "Stands by since 22:00:00; b acts"},
		{&Pair{Role: "STANDBY", Since: at, Silent: "no route"}, "▲ Stands by; the engine does not answer: no route"},
		{&Pair{Role: "ACTIVE", Acts: true, Since: at, Lease: 7}, "Acts since 22:00:00, lease 7; no other machine was seen"},
		{&Pair{Role: "ACTIVE", Acts: true, Since: at, Lease: 7, Other: "b"}, "Acts since 22:00:00, lease 7; b is not there"},
		{&Pair{Role: "ACTIVE", Acts: true, Since: at, Lease: 7, Other: "b", OtherThere: true}, "Acts since 22:00:00, lease 7; b is there"},
		{&Pair{Role: "UNPROVEN", Acts: true, Since: at, Lease: 7, Silent: "no route"}, "▲ Acts since 22:00:00, lease 7; the engine does not answer: no route"},
		{&Pair{Role: "FENCED", Fenced: true, Since: at}, "▲ Fenced since 22:00:00: the controller serves a newer session"},
	} {
		v := LineView{Pair: c.at}
		if got := v.PairWords(nil, time.UTC); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
