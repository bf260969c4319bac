package status

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe/wording"
)

// Line is the state of one line.
type Line struct {
	Name      string
	Armed     bool
	Connected bool
	Begun     bool // its journal is read, and it is served
	Ended     bool
	Again     time.Time // when a line that has ended is opened again by itself; zero for never
	Error     string    // the newest of the present outage, or why the line ended
	Machine   cycle.Status
	Alarms    []alarm.Alarm // what calls for somebody first
	At        time.Time     // of all the rest; it moves with each poll while the line is served
	Onward    *Onward       // nil where nothing is sent onward
	Engine    *Engine       // nil without an engine
	Pair      *Pair         // nil where this machine is not one of two
}

// Engine is how far the journal of a line has arrived in the engine of the mill's record.
type Engine struct {
	Connected bool           `json:"connected"`
	Known     bool           `json:"known"` // the engine answered since the start
	Error     string         `json:"error,omitempty"`
	Stopped   bool           `json:"stopped"` // it takes the journal no more, until that is registered anew
	Record    uint64         `json:"last_record,omitempty"`
	At        time.Time      `json:"last_at,omitzero"` // when that was
	Backlog   uint64         `json:"backlog_records"`
	Since     time.Time      `json:"backlog_since,omitzero"` // time of the oldest of them
	Others    []OtherMachine `json:"other_machines,omitempty"`
}

// OtherMachine is how far the journal of another machine has arrived there.
type OtherMachine struct {
	Machine string    `json:"machine"`
	Record  uint64    `json:"last_record"`
	At      time.Time `json:"last_at,omitzero"`
}

// Pair is what a line is on this machine of two.
type Pair struct {
	Machine string    `json:"machine"` // this one
	Role    string    `json:"role"`
	Acts    bool      `json:"acts"`
	Fenced  bool      `json:"fenced"` // the controller serves a newer session
	Since   time.Time `json:"since"`
	Lease   uint32    `json:"lease"`
	Holder  string    `json:"holder,omitempty"` // machine that holds it, by the newest look of one that stands by
	// Silent is why the engine does not answer, empty where it does.
	Silent      string    `json:"engine_error,omitempty"`
	EngineSince time.Time `json:"engine_since"`    // since when it answers or does not
	Other       string    `json:"other,omitempty"` // machine
	OtherThere  bool      `json:"other_there"`
}

// Onward is how far a line's records are sent onward.
type Onward struct {
	Connected bool      `json:"connected"`
	Error     string    `json:"error,omitempty"`
	Record    uint64    `json:"last_record,omitempty"` // of which the newest message was taken
	At        time.Time `json:"last_at,omitzero"`      // when that was
	Backlog   uint64    `json:"backlog_records"`       // behind it, that nobody took yet
}

// Alive reports whether the line is served, or will be without anybody's help.
func (l *Line) Alive() bool { return !l.Ended || !l.Again.IsZero() }

// healthy reports whether the line serves its controller.
func (l *Line) healthy() bool { return l.Connected && !l.Ended }

// Source is where the pages come from.
type Source struct {
	Version string
	Lines   func() []Line
	// Newest tells the newest rolls of a line; what it gives is never changed. Nil for
	// nobody who tells.
	Newest func(line string) *record.Newest
	// Config tells of the configuration. Nil for nobody who tells.
	Config  func() Config
	Metrics prometheus.Gatherer
	// Words gives the language of people. Nil for English.
	Words func() *wording.Words
	// Zone is the time zone of people. Nil for that of the machine.
	Zone *time.Location
}

// Handler serves the live page at /, its refresh at /events, a roll's page, and for
// programs /metrics, /health and /status.json. It answers nothing but GET and HEAD.
func Handler(s Source) http.Handler {
	b := &board{source: s, places: make(chan struct{}, mostViewers)}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(s.Metrics, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /health", s.health)
	mux.HandleFunc("GET /status.json", s.json)
	mux.HandleFunc("GET /{$}", b.page)
	mux.HandleFunc("GET /events", b.events)
	mux.HandleFunc("GET /roll/{line}/{number}", s.roll)
	mux.HandleFunc("GET /page.css", asset("page.css", "text/css; charset=utf-8", report.Style()))
	mux.HandleFunc("GET /page.js", asset("page.js", "text/javascript; charset=utf-8"))
	return mux
}

// asset serves a file that is embedded, behind what comes before it.
func asset(name, kind string, before ...string) http.HandlerFunc {
	text, err := assets.ReadFile(name)
	if err != nil {
		panic(err) // it is embedded
	}
	text = append([]byte(strings.Join(before, "")), text...)
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Cache-Control", "no-cache")
		_, _ = w.Write(text) // the client is gone when this fails
	}
}

// health answers 200 while every line serves its controller, and else 503
// with the lines that do not.
func (s Source) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	lines := s.Lines()
	for i := range lines {
		if !lines[i].healthy() {
			w.WriteHeader(http.StatusServiceUnavailable)
			break
		}
	}
	for i := range lines {
		word := "ok"
		switch {
		case lines[i].Ended && lines[i].Alive():
			word = "not served, opened again by itself"
		case lines[i].Ended:
			word = "ended"
		case !lines[i].Connected:
			word = "no connection"
		}
		fmt.Fprintf(w, "%s: %s\n", lines[i].Name, word)
	}
}

func (s Source) json(w http.ResponseWriter, _ *http.Request) {
	b, err := json.MarshalIndent(s.ViewFor(true), "", "  ")
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(append(present.CleanJSON(b), '\n')) // the client is gone when this fails
}

// roll serves the page of one roll among the newest.
func (s Source) roll(w http.ResponseWriter, r *http.Request) {
	number, err := strconv.ParseUint(r.PathValue("number"), 10, 32)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	p, err := s.storyPage(r.PathValue("line"), uint32(number))
	switch {
	case err != nil:
		http.Error(w, err.Error(), http.StatusInternalServerError)
	case p == nil:
		http.Error(w, fmt.Sprintf("roll %d is not among the newest of this line; lapgate why %d tells of an older one", number, number), http.StatusNotFound)
	default:
		text, err := render(p.words, "roll", p)
		sendPage(w, text, err)
	}
}

// sendPage sends a page. What it may load is what this server has.
func sendPage(w http.ResponseWriter, text []byte, err error) {
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	_, _ = w.Write(text) // the client is gone when this fails
}

// Server is a running status server.
type Server struct {
	http     *http.Server
	listener net.Listener
	secure   bool
	done     chan error
}

// Listen starts to serve on a loopback address such as 127.0.0.1:9464; port 0
// picks a free one. On any other address it serves by TLS alone, and only whom the
// access admits; without that it is refused.
func Listen(ctx context.Context, addr string, a config.Access, s Source) (*Server, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("status address %q: %w; give host:port, as in 127.0.0.1:9464", addr, err)
	}
	if !config.Loopback(host) && !a.Guarded() {
		return nil, fmt.Errorf("status address %q is not a loopback address: give status.certificate and status.key, and status.clients or status.token", addr)
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("status address %q: %w", addr, err)
	}
	return Serve(l, a, s), nil
}

// Serve is Listen on what somebody listens on already, which it closes with the server.
func Serve(l net.Listener, a config.Access, s Source) *Server {
	l = &fewConns{Listener: l, places: make(chan struct{}, mostConns)}
	if t := a.TLS(); t != nil {
		l = tls.NewListener(l, t)
	}
	srv := &Server{
		http: &http.Server{
			Handler:           admit(a, Handler(s)),
			ReadHeaderTimeout: 5 * time.Second,
			ReadTimeout:       10 * time.Second,
			WriteTimeout:      30 * time.Second,
			IdleTimeout:       time.Minute,
			MaxHeaderBytes:    16 << 10,
			ErrorLog:          log.New(io.Discard, "", 0), // who is turned away learns it himself
		},
		listener: l,
		secure:   a.Certificate != nil,
		done:     make(chan error, 1),
	}
	go func() { srv.done <- srv.http.Serve(l) }()
	return srv
}

// Addr is the address that is listened on.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// URL is where the page is.
func (s *Server) URL() string {
	if s.secure {
		return "https://" + s.Addr() + "/"
	}
	return "http://" + s.Addr() + "/"
}

// Close stops the server.
func (s *Server) Close() error {
	err := s.http.Close()
	if e := <-s.done; !errors.Is(e, http.ErrServerClosed) {
		err = errors.Join(err, e)
	}
	return err
}
