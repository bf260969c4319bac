package gateway

import (
	"errors"
	"fmt"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
)

// settings are what one line's loop needs of the configuration.
type settings struct {
	name    string
	config  *config.Line
	machine cycle.Config
	armed   bool
	journal string // path

	requestTimeout time.Duration
	connectTimeout time.Duration
	reconnectFirst time.Duration
	reconnectLast  time.Duration
}

// connectRequests is how many request timeouts an attempt to connect may take:
// the connection itself, and the few reads that prove it.
const connectRequests = 4

func settingsOf(s *config.Snapshot, l *config.Line) (settings, error) {
	if l.Recipe == nil || l.Recipe.Name == "" {
		return settings{}, errors.New("gateway: a line of the configuration has no name")
	}
	t := l.Controller.Times
	return settings{
		name:   l.Recipe.Name,
		config: l,
		machine: cycle.Config{
			Line:       l.Recipe,
			ConfigHash: s.Hash,
			Armed:      l.Armed,
			Times:      cycle.Times{Poll: t.Poll, Heartbeat: t.Heartbeat, Stale: t.DataStale, Verdict: t.Verdict},
		},
		armed:          l.Armed,
		journal:        s.Journal.Path(l.Recipe.Name),
		requestTimeout: t.RequestTimeout,
		connectTimeout: connectRequests * t.RequestTimeout,
		reconnectFirst: t.ReconnectMin,
		reconnectLast:  t.ReconnectMax,
	}, nil
}

// sameConnection tells what of another configuration cannot be put in force
// without a restart.
func (s *settings) sameConnection(next *settings) error {
	var problems []error
	if s.config.Controller != next.config.Controller {
		problems = append(problems, fmt.Errorf("line %s: the controller section differs; restart to connect anew", s.name))
	}
	if s.journal != next.journal {
		problems = append(problems, fmt.Errorf("line %s: the journal would move from %s to %s; restart to open it there", s.name, s.journal, next.journal))
	}
	if s.armed != next.armed {
		problems = append(problems, fmt.Errorf("line %s: armed would change from %t to %t; restart, or arm and disarm by command", s.name, s.armed, next.armed))
	}
	return errors.Join(problems...)
}
