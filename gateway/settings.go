package gateway

import (
	"errors"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
)

// settings are what one line's loop needs of the configuration.
type settings struct {
	name   string
	config *config.Line

	snapshot *config.Snapshot // of which config is a part
	machine  cycle.Config
	journal  string // path
	rule     journal.Rule

	identity string // of the controller, as configured

	requestTimeout time.Duration
	connectTimeout time.Duration
	reconnectFirst time.Duration
	reconnectLast  time.Duration
}

// connectRequests is how many request timeouts an attempt to connect may take:
// the connection itself, the few reads that prove it, and where a connection is
// secured the steps of it, for which a small controller calculates with long
// numbers.
const connectRequests = 10

func settingsOf(s *config.Snapshot, l *config.Line, pair bool) (settings, error) {
	if l.Recipe == nil || l.Recipe.Name == "" {
		return settings{}, errors.New("gateway: a line of the configuration has no name")
	}
	t := l.Controller.Times
	return settings{
		name:   l.Recipe.Name,
		config: l, snapshot: s,
		machine: cycle.Config{
			Line:       l.Recipe,
			ConfigHash: s.Hash,
			Pair:       pair,
			Times:      cycle.Times{Poll: t.Poll, Heartbeat: t.Heartbeat, Stale: t.DataStale, Verdict: t.Verdict},
		},
		journal:        s.Journal.Path(l.Recipe.Name),
		rule:           ruleOf(&s.Journal),
		identity:       identityOf(s, l),
		requestTimeout: t.RequestTimeout,
		connectTimeout: connectRequests * t.RequestTimeout,
		reconnectFirst: t.ReconnectMin,
		reconnectLast:  t.ReconnectMax,
	}, nil
}
