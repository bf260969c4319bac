package config

import (
	"errors"
	"strings"
	"time"

	"lapgate/gateway/scan"
)

// Scanner is a scanner or gauge of a line that sends text over TCP.
type Scanner struct {
	Address      string        `cfg:"address" default:"none" doc:"host:port of a scanner that sends text over TCP; none for no scanner"`
	Pattern      string        `cfg:"pattern" default:"(?P<roll>\\S+)\\s+(?P<diameter>[0-9.]+)\\s+(?P<width>[0-9.]+)" doc:"regular expression that a whole message matches, with the groups roll and diameter or width, and unit where messages have one"`
	Delimiter    string        `cfg:"delimiter" one_of:"crlf,lf,cr,etx,nul" default:"crlf" doc:"what ends a message"`
	MaxLength    int           `cfg:"max_length" default:"256" range:"8..65536" doc:"bytes of the longest message; a longer one is dropped"`
	DiameterUnit string        `cfg:"diameter_unit" dimension:"length" default:"mm" doc:"unit of the diameters where the pattern has no group unit"`
	WidthUnit    string        `cfg:"width_unit" dimension:"length" default:"mm" doc:"unit of the widths where the pattern has no group unit"`
	Window       time.Duration `cfg:"window" unit:"time" default:"30 s" range:"0.1 s..600 s" doc:"how far the reading and the measurement of its roll may be apart, either way"`
	Wait         time.Duration `cfg:"wait" unit:"time" default:"2 s" range:"0 s..60 s" doc:"how long a roll at the station waits for its reading before it goes on without"`
	Silence      time.Duration `cfg:"silence" unit:"time" default:"0 s" range:"0 s..24 h" doc:"when nothing comes for so long, the connection is made anew; 0 s for never"`
	ReconnectMin time.Duration `cfg:"reconnect_min" unit:"time" default:"0.5 s" range:"10 ms..60 s" doc:"first wait before connecting again, doubled each time"`
	ReconnectMax time.Duration `cfg:"reconnect_max" unit:"time" default:"30 s" range:"100 ms..600 s" doc:"longest wait before connecting again"`
}

// Off reports whether the line has no scanner.
func (s *Scanner) Off() bool { return s.Address == none }

// Text is how the scanner's text is cut and read.
func (s *Scanner) Text() scan.Pattern {
	p := scan.Pattern{MaxLength: s.MaxLength, Expr: s.Pattern, DiameterUnit: s.DiameterUnit, WidthUnit: s.WidthUnit}
	switch s.Delimiter {
	case "crlf":
		p.Delimiter = "\r\n"
	case "lf":
		p.Delimiter = "\n"
	case "cr":
		p.Delimiter = "\r"
	case "etx":
		p.Delimiter = "\x03"
	case "nul":
		p.Delimiter = "\x00"
	}
	return p
}

// Orders is the folder into which the mill's system drops its orders.
type Orders struct {
	Directory string        `cfg:"directory" default:"none" path:"true" doc:"folder of the files of orders, *.csv; none for no orders"`
	Poll      time.Duration `cfg:"poll" unit:"time" default:"2 s" range:"0.1 s..600 s" doc:"between looks into the folder; a file is read when it stood unchanged for one"`
}

// Off reports whether the line has no orders.
func (o *Orders) Off() bool { return o.Directory == none }

// checkSources checks scanner and orders of a line.
func (d *decoder) checkSources(l *line, path string) {
	at := join(path, "scanner")
	key := func(k string) string { return join(at, k) }
	s := &l.Scanner
	if !s.Off() && d.good(key("address")) {
		d.hostPort(key("address"), s.Address, lowestPort(1))
	}
	if d.good(at) {
		// A pattern is checked on a line without scanner too, so that it is
		// right when one comes.
		if _, err := scan.NewParser(s.Text()); err != nil {
			for _, e := range parts(err) {
				d.problem(d.where(key("pattern")), key("pattern"), "pattern not usable: "+strings.TrimPrefix(strings.TrimPrefix(e.Error(), "scanner: "), "pattern: "),
					quoted(s.Pattern), "a regular expression with the groups roll and diameter or width", "correct it, as in the reference configuration")
			}
		}
	}
	if least, most := key("reconnect_min"), key("reconnect_max"); d.good(least, most) && s.ReconnectMin > s.ReconnectMax {
		d.problem(d.given(least, most), least, "first wait above the longest", s.ReconnectMin.String(), "at most "+s.ReconnectMax.String(), "change it or reconnect_max")
	}
	if wait, window := key("wait"), key("window"); d.good(wait, window) && s.Wait > s.Window {
		d.problem(d.given(wait, window), wait, "rolls wait longer than a reading counts", s.Wait.String(), "at most window, "+s.Window.String(), "lower it, or raise window")
	}
}

// parts takes joined errors apart.
func parts(err error) []error {
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		return joined.Unwrap()
	}
	return []error{err}
}
