package gateway

import (
	"context"
	"fmt"
	"net"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/orders"
	"lapgate/gateway/plainfile"
	"lapgate/gateway/scan"
	"lapgate/recipe"
)

// sources are what tells of the rolls of a line besides its controller: a
// scanner on TCP, and a folder of orders. A line may have either, both or
// none. What they say goes into the roll of each view before the machine sees
// it; a reading or order that does not fit becomes a mark on the roll, which
// the checks judge.
type sources struct {
	line    string
	options *Options
	log     *zap.Logger

	scanner  config.Scanner
	parser   *scan.Parser
	matcher  *scan.Matcher
	readings chan scan.Reading // nil without a scanner
	failed   chan error        // a goroutine of the sources met a program error

	orders config.Orders
	folder *orders.Folder // nil without orders
	looks  atomic.Int32   // into the folder, so far

	// Of the roll at the station; they belong to the line's goroutine.
	token   handshake.Token
	known   bool
	number  uint32
	tag     string
	since   time.Duration
	waiting bool // it stands at the station, so a stray reading is told with it
	reading *scan.Reading
	notes   recipe.Readings
	stray   string // of a reading that fitted no roll while none waited
}

func newSources(s *settings, o *Options, log *zap.Logger) (*sources, error) {
	out := &sources{line: s.name, options: o, log: log, scanner: s.config.Scanner, orders: s.config.Orders, failed: make(chan error, 2)}
	if !out.scanner.Off() {
		var err error
		if out.parser, err = scan.NewParser(out.scanner.Text()); err != nil {
			return nil, fmt.Errorf("line %s: %w", s.name, err)
		}
		out.matcher = scan.NewMatcher(out.scanner.Window)
		out.readings = make(chan scan.Reading, 16)
	}
	if !out.orders.Off() {
		open := o.OpenOrders
		if open == nil {
			open = plainfile.Folder
		}
		out.folder = orders.NewFolder(open(out.orders.Directory), &s.config.Recipe.Materials)
	}
	return out, nil
}

// configure takes the materials of a new configuration.
func (s *sources) configure(m *recipe.Materials) {
	if s.folder != nil {
		s.folder.Use(m)
	}
}

// start begins to listen and to look, and returns what ends that.
func (s *sources) start(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var wait sync.WaitGroup
	if s.readings != nil {
		wait.Go(func() { s.guarded("scanner", func() { s.listen(ctx) }) })
	}
	if s.folder != nil {
		// Not waited for: a look into a folder on a network that is gone may
		// last longer than anybody would wait for a stop.
		go s.guarded("orders folder", func() { s.look(ctx) })
	}
	return func() {
		cancel()
		wait.Wait()
	}
}

// guarded runs what has a goroutine of its own, and turns a panic in it into an error
// that ends the line.
func (s *sources) guarded(what string, run func()) {
	defer func() {
		if p := recover(); p != nil {
			s.log.Error("the program of the "+what+" failed", zap.Any("panic", p), zap.ByteString("stack", debug.Stack()))
			s.failed <- fmt.Errorf("%s: program error: %v", what, p)
		}
	}()
	run()
}

// listen hands the readings of the scanner to the line.
func (s *sources) listen(ctx context.Context) {
	dial := s.options.DialScanner
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	var link, text outage
	l := scan.Listener{
		Address: s.scanner.Address, Parser: s.parser, Dial: dial,
		First: s.scanner.ReconnectMin, Most: s.scanner.ReconnectMax, Silence: s.scanner.Silence, Jitter: s.options.Jitter,
		OnReading: func(r scan.Reading) {
			if told := text.end(time.Now()); told != nil {
				s.log.Info("scanner messages are read again", told...)
			}
			select {
			case s.readings <- r:
			case <-ctx.Done():
			}
		},
		OnProblem: func(err error) {
			s.options.Metrics.Notified(s.line, noteMessage, cycle.Warning)
			if text.begin(time.Now(), err) {
				s.log.Warn("a message of the scanner is no reading; what follows of the kind is counted", zap.String("code", noteMessage), zap.Error(err))
			}
		},
		OnLink: func(err error) {
			if err == nil {
				s.log.Info("scanner connected", append(link.end(time.Now()), zap.String("address", s.scanner.Address))...)
				return
			}
			s.options.Metrics.Notified(s.line, noteScanner, cycle.Warning)
			if link.begin(time.Now(), err) {
				s.log.Warn("no connection to the scanner; trying again until there is one", zap.String("code", noteScanner), zap.Error(err))
			}
		},
	}
	l.Run(ctx)
}

// Codes of what the sources tell people.
const (
	noteScanner = "scanner-unreachable"
	noteMessage = "scanner-message"
	noteOrders  = "orders-unreadable"
)

// look polls the folder of orders.
func (s *sources) look(ctx context.Context) {
	ticker := time.NewTicker(s.orders.Poll)
	defer ticker.Stop()
	var trouble outage
	for {
		changed, err := s.folder.Poll()
		s.looks.Add(1)
		switch {
		case err != nil:
			if err.Error() != trouble.first {
				trouble = outage{} // of another file, which is news
			}
			if trouble.begin(time.Now(), err) {
				s.options.Metrics.Notified(s.line, noteOrders, cycle.Warning)
				s.log.Warn("the orders stay as they were", zap.String("code", noteOrders), zap.Error(err))
			}
		case changed:
			s.log.Info("orders read", append(trouble.end(time.Now()), zap.Int("orders", s.folder.Orders().Len()), zap.String("directory", s.orders.Directory))...)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// tick lets readings grow old.
func (s *sources) tick(now time.Duration) {
	if s.matcher != nil {
		s.settle(s.matcher.Tick(now))
	}
}

// read takes a reading.
func (s *sources) read(now time.Duration, r scan.Reading) { s.settle(s.matcher.Reading(now, r)) }

// settle keeps what became of readings, if it is of the roll at the station.
func (s *sources) settle(matches []scan.Match) {
	for i := range matches {
		m := &matches[i]
		if m.Code != "" {
			s.options.Metrics.Notified(s.line, string(m.Code), cycle.Warning)
			s.log.Warn(m.Text, zap.String("code", string(m.Code)), zap.Uint32("roll", m.Roll), zap.String("identity", m.Reading.Roll))
		}
		ours := s.known && m.Roll == s.number
		switch m.Code {
		case "":
			if ours {
				s.reading = &m.Reading
			}
		case scan.ReadingsDiffer:
			if ours {
				s.notes.Differ = m.Text
			}
		case scan.ReadingTwoRolls:
			if s.known && (m.Reading.Roll == s.tag || m.Reading.Roll == strconv.FormatUint(uint64(s.number), 10)) {
				s.notes.TwoRolls = m.Text
			}
		default:
			if s.waiting {
				s.notes.NoRoll = m.Text
			} else {
				s.stray = m.Text
			}
		}
	}
}

// apply puts what is known of the waiting roll into its view.
func (s *sources) apply(now time.Duration, v *cycle.View) {
	if s.matcher == nil && s.folder == nil {
		return
	}
	s.waiting = v.Request.Phase == handshake.Await
	if !s.waiting {
		return
	}
	if s.matcher != nil && v.Request.Flags&handshake.DimensionsValid != 0 {
		s.applyReading(now, v)
	}
	if s.folder == nil {
		return
	}
	if o, ok := s.folder.Orders().Find(v.Roll.Tag); ok {
		v.Roll.Order = &o
	} else {
		v.Roll.OrderMissing = true
		// The first look only sees the files, the second reads them. Neither
		// may come from a folder that does not answer.
		v.Wait = v.Wait || s.looks.Load() < 2 && now < 3*s.orders.Poll
	}
}

func (s *sources) applyReading(now time.Duration, v *cycle.View) {
	r := &v.Request
	if !s.known || s.token != r.Token() {
		s.token, s.known, s.number, s.tag, s.since = r.Token(), true, r.RollNo, r.Tag.String(), now
		s.reading, s.notes, s.stray = nil, recipe.Readings{NoRoll: s.stray}, ""
		// The scan block tells how long ago the roll was measured.
		age := time.Duration(v.Roll.Age * float64(time.Second))
		s.settle(s.matcher.Roll(now-age, s.number, s.tag))
	}
	v.Roll.Readings = s.notes
	if s.reading != nil {
		s.reading.Apply(&v.Roll)
		return
	}
	v.Roll.Readings.Missing = s.notes.TwoRolls == ""
	v.Wait = v.Roll.Readings.Missing && now-s.since < s.scanner.Wait
}
