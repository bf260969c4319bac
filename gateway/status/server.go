package status

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
)

// Line is the state of one line.
type Line struct {
	Name      string
	Armed     bool
	Connected bool
	Ended     bool
	Again     time.Time // when a line that has ended is opened again by itself; zero for never
	Error     string    // the newest of the present outage, or why the line ended
	Machine   cycle.Status
	At        time.Time // of all the rest
}

// Alive reports whether the line is served, or will be without anybody's help.
func (l *Line) Alive() bool { return !l.Ended || !l.Again.IsZero() }

// Healthy reports whether the line serves its controller.
func (l *Line) Healthy() bool { return l.Connected && !l.Ended }

// Source is where the pages come from.
type Source struct {
	Version string
	Lines   func() []Line
	// Config tells of the configuration. Nil for nobody who tells.
	Config  func() Config
	Metrics prometheus.Gatherer
}

// Handler serves /metrics, /health, /status.json and the page at /. It
// answers nothing but GET and HEAD.
func Handler(s Source) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(s.Metrics, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /health", s.health)
	mux.HandleFunc("GET /status.json", s.json)
	mux.HandleFunc("GET /{$}", s.page)
	return mux
}

// health answers 200 while every line serves its controller, and else 503
// with the lines that do not.
func (s Source) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	lines := s.Lines()
	for i := range lines {
		if !lines[i].Healthy() {
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
	lines := s.Lines()
	views := make([]view, len(lines))
	for i := range lines {
		views[i] = viewOf(&lines[i])
	}
	b, err := json.MarshalIndent(struct {
		Version string      `json:"version"`
		Config  *configView `json:"config,omitempty"`
		Lines   []view      `json:"lines"`
	}{s.Version, s.configuration(), views}, "", "  ")
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(append(b, '\n')) // the client is gone when this fails
}

func (s Source) page(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
	err := page.Execute(w, struct {
		Version string
		Config  *configView
		Lines   []Line
	}{s.Version, s.configuration(), s.Lines()})
	if err != nil {
		fmt.Fprintf(w, "\n<p>%s</p>", template.HTMLEscapeString(err.Error()))
	}
}

// Server is a running status server.
type Server struct {
	http     *http.Server
	listener net.Listener
	done     chan error
}

// Listen starts to serve on a loopback address such as 127.0.0.1:9464; port 0
// picks a free one. Other addresses are refused: the pages have no login.
func Listen(ctx context.Context, addr string, s Source) (*Server, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("status address %q: %w; give host:port, as in 127.0.0.1:9464", addr, err)
	}
	if !config.Loopback(host) {
		return nil, fmt.Errorf("status address %q is not a loopback address; the pages have no login, put a proxy with one in front", addr)
	}
	var c net.ListenConfig
	l, err := c.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("status address %q: %w", addr, err)
	}
	srv := &Server{
		http: &http.Server{
			Handler:           Handler(s),
			ReadHeaderTimeout: 5 * time.Second,
			ReadTimeout:       10 * time.Second,
			WriteTimeout:      30 * time.Second,
			IdleTimeout:       time.Minute,
			MaxHeaderBytes:    16 << 10,
		},
		listener: l,
		done:     make(chan error, 1),
	}
	go func() { srv.done <- srv.http.Serve(l) }()
	return srv, nil
}

// Addr is the address that is listened on.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Close stops the server.
func (s *Server) Close() error {
	err := s.http.Close()
	if e := <-s.done; !errors.Is(e, http.ErrServerClosed) {
		err = errors.Join(err, e)
	}
	return err
}
