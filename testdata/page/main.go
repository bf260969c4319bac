// Page serves the live page of a line in states that seldom come together: in shadow,
// waiting, going, held for one reason after the other, without a link, ended. Rolls and
// decisions are the program's own, on the configuration of the demonstration; only what
// the controller shows is made up. The end-to-end script of the page looks at them.
//
// It prints the address, then serves /STATE/ until it is killed.
package main

import (
	"bytes"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"html"
	"log"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/configs"
	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// inch in metres.
const inch = 0.0254

//go:embed check.js
var check []byte

// off is a page that shows another one with script off, and tells what stands there.
//
//go:embed off.html
var off []byte

// shift is a made-up shift in one state at its end.
type shift struct {
	tags   string // how its rolls are called, by their number
	line   *recipe.Line
	hash   uint32
	at     time.Time
	seq    uint64
	index  uint32
	recent record.Recent
	status status.Line
}

func main() {
	listen := flag.String("listen", "127.0.0.1:0", "address to serve at")
	handbook := flag.String("handbook", "", "file of the handbook, served at /handbook/")
	words := flag.String("words", "", "translation of the sentences; each state is served in it too, at /words-STATE/")
	flag.Parse()
	if err := serve(*listen, *handbook, *words); err != nil {
		log.Fatal(err)
	}
}

func serve(address, handbook, words string) error {
	snapshot, err := config.Load(config.Source{Path: "mill.yaml", Bytes: configs.Demo()})
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	if handbook != "" {
		text, err := os.ReadFile(handbook)
		if err != nil {
			return err
		}
		mux.Handle("/handbook/", http.StripPrefix("/handbook", checked(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			_, _ = w.Write(text)
		}))))
	}
	if err := addStates(mux, snapshot, "", "R-%04d", nil); err != nil {
		return err
	}
	if words != "" {
		file, err := os.Open(words)
		if err != nil {
			return err
		}
		defer file.Close()
		translated, _, err := wording.Read(words, file)
		if err != nil {
			return err
		}
		if err := addStates(mux, snapshot, "words-", "MILL-2026-00%04d", translated); err != nil {
			return err
		}
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	fmt.Printf("http://%s/\n", l.Addr())
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
	return server.Serve(l)
}

// addStates serves each state below its name behind prefix, in a language, nil for English.
func addStates(mux *http.ServeMux, snapshot *config.Snapshot, prefix, tags string, words *wording.Words) error {
	for _, s := range states {
		one := &shift{tags: tags, line: snapshot.Lines[0].Recipe, hash: snapshot.Hash, at: time.Now().Add(-3 * time.Hour)}
		if err := one.play(s.play); err != nil {
			return fmt.Errorf("state %s: %w", s.name, err)
		}
		n := one.recent.Newest()
		source := status.Source{
			Version: "test", Metrics: prometheus.NewRegistry(), Zone: time.UTC, Words: func() *wording.Words { return words },
			Lines:  func() []status.Line { return []status.Line{one.status} },
			Newest: func(string) *record.Newest { return n },
			Config: func() status.Config { return status.Config{File: "mill.yaml", Hash: snapshot.Hash} },
		}
		path := "/" + prefix + s.name
		mux.Handle(path+"/", http.StripPrefix(path, checked(status.Handler(source))))
	}
	return nil
}

// checked serves a page as it is, below check/ with the script that looks at it, below
// print/ as it is printed and looked at, below stale/ with a strip that only a refresh
// puts right, below frame/WIDTH/ the page of check/ in a frame of that width, for a
// browser has no window as narrow as a phone, and at off/ the page with script off.
func checked(next http.Handler) http.Handler {
	asked := make(chan struct{}) // closed when a page below stale/ has asked for its events
	ask := sync.OnceFunc(func() { close(asked) })
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		way := ""
		for _, one := range []string{"check", "print", "stale", "bare"} {
			if rest, ok := strings.CutPrefix(r.URL.Path, "/"+one); ok {
				way, r.URL.Path = one, rest
			}
		}
		if rest, ok := strings.CutPrefix(r.URL.Path, "/frame/"); ok {
			width, path, _ := strings.Cut(rest, "/")
			fmt.Fprintf(w, "<!doctype html>\n<style>body { margin: 0; background: #888 }</style>\n<iframe width=\"%d\" height=\"1600\" style=\"border:0\" src=\"%scheck/%s\"></iframe>\n", atoi(width), strings.Repeat("../", strings.Count(rest, "/")+1), html.EscapeString(path))
			return
		}
		if r.URL.Path == "/slow.js" { // the page is not loaded, and not looked at, before it has come
			select {
			case <-asked: // from then on, however long a busy machine needed to come so far
			case <-r.Context().Done():
			}
			time.Sleep(3 * time.Second)
			return
		}
		if r.URL.Path == "/off/" {
			_, _ = w.Write(off)
			return
		}
		switch {
		case r.URL.Path == "/check.js" || strings.HasSuffix(r.URL.Path, "/check.js"):
			w.Header().Set("Content-Type", "text/javascript")
			_, _ = w.Write(check)
			return
		case way == "" || r.URL.Path == "/events":
			if way == "stale" {
				ask()
			}
			next.ServeHTTP(w, r)
			return
		}
		seen := httptest.NewRecorder()
		next.ServeHTTP(seen, r)
		body := seen.Body.Bytes()
		if way == "print" {
			body = bytes.ReplaceAll(body, []byte("@media print"), []byte("@media all"))
		}
		switch way {
		case "bare":
		case "stale":
			body = bytes.ReplaceAll(body, []byte("Link up"), []byte("not refreshed yet"))
			body = bytes.ReplaceAll(body, []byte("</body>"), []byte(`<script src="slow.js"></script></body>`))
		default:
			up := strings.Repeat("../", strings.Count(r.URL.Path, "/")-1)
			body = bytes.ReplaceAll(body, []byte("</body>"), []byte(`<script src="`+up+`check.js"></script></body>`))
		}
		for k, v := range seen.Header() {
			w.Header()[k] = v
		}
		w.Header().Del("Content-Security-Policy") // which lets nobody frame the page
		w.WriteHeader(seen.Code)
		_, _ = w.Write(body)
	})
}

func atoi(text string) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0
	}
	return n
}

// state is one state by its name in the address.
type state struct {
	name string
	play func(*shift) error
}

var states = []state{
	{"shadow", func(s *shift) error { s.status.Armed = false; return s.wait(60.4, nil) }},
	{"waiting", func(s *shift) error {
		s.view(handshake.Await, 41, s.tag(41))
		return nil
	}},
	{"go", func(s *shift) error { return s.accept(48.7) }},
	{"held-no-slot", func(s *shift) error { return s.hold(45.2, nil) }},
	{"held-permissive", func(s *shift) error {
		return s.hold(48.7, func(_ *recipe.Roll, t *recipe.Stand) { t.Permissives = 0x37 })
	}},
	{"held-scan", func(s *shift) error {
		return s.hold(48.7, func(r *recipe.Roll, _ *recipe.Stand) { r.Quality = 0.4 })
	}},
	{"held-grade", func(s *shift) error {
		return s.hold(48.7, func(r *recipe.Roll, _ *recipe.Stand) { r.Grade = 9 })
	}},
	{"held-platen", func(s *shift) error {
		return s.hold(48.7, func(_ *recipe.Roll, t *recipe.Stand) { t.Platen, t.PlatenHot = 110, 112 })
	}},
	{"alarm", func(s *shift) error {
		s.view(handshake.Empty, 40, "")
		s.status.Machine.Conditions = []string{"memory-lost", "ring-nearly-full"}
		s.status.Alarms = []alarm.Alarm{
			{Key: "memory-lost", State: alarm.Unacknowledged, Active: true},
			{Key: "ring-nearly-full", State: alarm.Acknowledged, Active: true, By: "Lee Moran"},
			{Key: "link-down", State: alarm.Returned},
		}
		return nil
	}},
	{"link-down", func(s *shift) error {
		if err := s.accept(48.7); err != nil {
			return err
		}
		s.status.Connected, s.status.Error = false, "dial 192.0.2.10:502: connection refused"
		s.status.Machine.Age, s.status.Machine.Conditions = 4*time.Minute, []string{"link-down"}
		return nil
	}},
	{"ended", func(s *shift) error {
		s.status.Ended, s.status.Connected, s.status.Armed = true, false, false
		s.status.Error = "line north: journal: record INTENT of roll 41: the disk failed to synchronise"
		s.status.Alarms = []alarm.Alarm{{Key: "line-ended", State: alarm.Unacknowledged, Active: true}, {Key: "journal-failed", State: alarm.Returned}}
		return nil
	}},
}

// widths are those of the rolls of the shift, in inches; 45.2 fits no wrapper.
var widths = []float64{48.7, 60.4, 33.2, 27.9, 60.1, 52.3, 45.2, 73.8, 48.9, 61.7}

// play wraps forty rolls and brings about the state.
func (s *shift) play(end func(*shift) error) error {
	s.status = status.Line{Name: "north", Armed: true, Connected: true}
	s.status.Machine.Line, s.status.Machine.Config = s.line, s.hash
	if err := errors.Join(s.add(record.Config{Hash: s.hash}), s.add(record.Mode{Armed: true, By: "Kim Berg", Reason: "shadow compared for two weeks", Lasts: &record.Lasting{}})); err != nil {
		return err
	}
	for n := uint32(1); n <= 40; n++ {
		if n == 31 {
			if err := s.add(record.Config{Hash: s.hash, By: "Lee Moran", Changes: []record.ConfigChange{{Key: "specs.0.overlap", Old: "5 in", New: "6 in"}}}); err != nil {
				return err
			}
		}
		if err := s.wrap(n, widths[int(n)%len(widths)]); err != nil {
			return err
		}
	}
	s.at = time.Now().Add(-14 * time.Second)
	s.view(handshake.Empty, 40, "")
	err := end(s)
	s.status.At = time.Now()
	return err
}

// tag is how a roll is called.
func (s *shift) tag(n uint32) string { return fmt.Sprintf(s.tags, 1000+n) }

func (s *shift) add(r record.Record) error {
	s.seq++
	s.at = s.at.Add(300 * time.Millisecond)
	return s.recent.Add(record.Stored{Seq: s.seq, At: s.at, Record: r})
}

// view is what the controller shows.
func (s *shift) view(p handshake.Phase, roll uint32, tag string) {
	m := &s.status.Machine
	m.Seen, m.Age, m.Phase, m.Roll, m.Tag, m.Token = true, 100*time.Millisecond, p, roll, tag, handshake.Token{Boot: 1, Req: roll}
	m.State, m.Produced, m.Acked, m.Journaled = cycle.StatePoll, s.index, s.index, s.index
}

// request is a roll that asks for a recipe.
func (s *shift) request(n uint32, width float64, change func(*recipe.Roll, *recipe.Stand)) record.Request {
	d := (40 + 6*math.Sin(float64(n))) * inch
	roll := recipe.Roll{
		Number: n, Tag: s.tag(n), Diameter: d, DiameterU: 0.0004, DiameterMax: d * 1.002, Ovality: 0.002,
		Width: width * inch, WidthMedian: width * inch, WidthU: 0.0004, WidthSpread: 0.002, Quality: 0.97, Age: 4, Grade: 1, Core: 1, MeasuredFrom: "controller",
	}
	stand := recipe.Stand{Permissives: 0x3F, Mode: 1, State: 6, Platen: 175, PlatenHot: 177}
	for i, outer := range []float64{0.62, 0.88, 0.17, 0.94, 0.55, 0.71} {
		stand.Ready[i], stand.Outer[i] = true, outer-0.0006*float64(n)
	}
	if change != nil {
		change(&roll, &stand)
	}
	r := cycle.RequestOf(roll, stand)
	r.Token = handshake.Token{Boot: 1, Req: n}
	r.Diameter, r.Width = uint32(roll.Diameter*1e4), uint32(roll.Width*1e4)
	return r
}

// offer decides on a request and puts it and its offer into the journal.
func (s *shift) offer(r record.Request) (*cycle.Decision, record.OfferName, error) {
	name := record.OfferName{Session: handshake.Session{Epoch: 7, Nonce: 0x5eed}, Offer: uint16(r.Roll)}
	if err := s.add(r); err != nil {
		return nil, name, err
	}
	d := cycle.Decide(s.line, &r, &record.Basis{}, nil)
	words, err := d.Words()
	if err != nil {
		return nil, name, err
	}
	if !s.status.Armed {
		verdict := "go"
		if d.Held() {
			verdict = "hold"
		}
		return &d, name, s.add(record.Shadow{Token: r.Token, Roll: r.Roll, Tag: r.Measured.Tag, Verdict: verdict, Payload: words, Findings: d.Findings, Risk: d.Risk})
	}
	return &d, name, s.add(record.Intent{Token: r.Token, Roll: r.Roll, Tag: r.Measured.Tag, Offer: name, Form: d.Payload.Kind, HoldReason: d.Payload.HoldReason,
		Origin: handshake.Computed, ConfigHash: s.hash, Payload: words, Findings: d.Findings, Risk: d.Risk})
}

func (s *shift) verdict(roll uint32, name record.OfferName, v handshake.Verdict, reason uint16) error {
	return errors.Join(s.add(record.Commit{Roll: roll, Offer: name}), s.add(record.Verdict{Roll: roll, Offer: name, Verdict: v, Reason: reason}))
}

// wrap is a roll from its request to its outcome.
func (s *shift) wrap(n uint32, width float64) error {
	d, name, err := s.offer(s.request(n, width, nil))
	if err != nil {
		return err
	}
	v, reason, kind := handshake.Accepted, uint16(0), handshake.Wrapped
	if d.Held() {
		v, reason, kind = handshake.HeldVerdict, uint16(d.Payload.HoldReason), handshake.WrappedByHand
	}
	if err := s.verdict(n, name, v, reason); err != nil {
		return err
	}
	s.at = s.at.Add(time.Duration(150+20*math.Sin(float64(3*n))) * time.Second)
	s.index++
	o := record.Outcome{Outcome: handshake.Outcome{Index: s.index, RollNo: n, Boot: 1, Req: n, Session: name.Session, Offer: name.Offer, Outcome: kind}}
	if gross := d.Setpoints.Gross; !d.Held() && gross > 0 {
		off := 0.004 * math.Sin(float64(7*n))
		word := "good"
		if n == 37 {
			off, word = 0.031, "wrong"
		}
		o.Outcome.Scale = uint32(gross * (1 + off) * 10)
		o.Weighing = &record.Weighing{Verdict: word, Reading: gross * (1 + off), Gross: gross, Delta: gross * off}
		if word == "wrong" {
			o.Weighing.Text = "The grade at the controller may not be that of the roll."
		}
	}
	return s.add(o)
}

func (s *shift) wait(width float64, change func(*recipe.Roll, *recipe.Stand)) error {
	_, _, err := s.offer(s.request(41, width, change))
	s.view(handshake.Await, 41, s.tag(41))
	return err
}

func (s *shift) accept(width float64) error {
	_, name, err := s.offer(s.request(41, width, nil))
	s.view(handshake.Run, 41, s.tag(41))
	return errors.Join(err, s.verdict(41, name, handshake.Accepted, 0))
}

func (s *shift) hold(width float64, change func(*recipe.Roll, *recipe.Stand)) error {
	d, name, err := s.offer(s.request(41, width, change))
	if err != nil {
		return err
	}
	if !d.Held() {
		return errors.New("the roll is not held")
	}
	s.view(handshake.Held, 41, s.tag(41))
	return s.verdict(41, name, handshake.HeldVerdict, uint16(d.Payload.HoldReason))
}
