package gateway

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// Change is another configuration, and how it is put in force.
type Change struct {
	Load func() (*config.Snapshot, error)
	Who  Person
	// Agreed is the answer of the AskError that the person was shown, empty for none.
	Agreed string
	// Unattended says that nobody is there to be asked: what would be asked is refused.
	Unattended bool
}

// Reload loads a configuration and puts it in force in the name of a
// person, each line from its next roll on, and tells log, metrics and status
// how that went. It returns what changed. What needs a restart is refused by
// its key with both values, and then nothing changes. Where it would decide rolls
// otherwise that were recorded lately, the error is an *AskError until its answer
// comes. A line that has ended is left out. One reload is made at a time, so that the
// newest to begin is the last in force.
func (g *Gateway) Reload(ctx context.Context, c Change) (*config.Snapshot, []record.ConfigChange, error) {
	g.reload.Lock()
	defer g.reload.Unlock()
	s, err := c.Load()
	var changes []record.ConfigChange
	if err == nil {
		changes, err = g.put(ctx, s, &c)
	}
	if ask := (*AskError)(nil); errors.As(err, &ask) && !c.Unattended {
		return nil, nil, err // nothing is decided yet
	}
	g.options.Metrics.Reloaded(err == nil)
	by := []zap.Field{zap.String("by", c.Who.By), zap.String("user", c.Who.User)}
	if err != nil {
		standing := *g.inForce.Load()
		standing.Refused = &status.Refusal{At: time.Now(), By: c.Who.By, Error: err.Error()}
		g.inForce.Store(&standing)
		g.options.Log.Error("configuration refused, the one in force stays", append(by, zap.Error(err))...)
		return nil, nil, err
	}
	fields := slices.Concat(by, []zap.Field{zap.Stringer("hash", handshake.ConfigHash(s.Hash)), zap.Int("changes", len(changes))})
	const most = 20 // changes worth a line of the log each; the journal has all
	for _, x := range changes[:min(len(changes), most)] {
		fields = append(fields, zap.String(x.Key, x.Old+" -> "+x.New))
	}
	g.options.Log.Info("configuration read again; it takes effect at the next roll", fields...)
	return s, changes, nil
}

// ErrNoPrevious says that there is no configuration to go back to.
var ErrNoPrevious = errors.New("no other configuration was in force since the daemon began; its text before that is in the journal, see lapgate journal changes and show")

// Previous loads the configuration that was in force before the present one, for Reload.
func (g *Gateway) Previous() (*config.Snapshot, error) {
	if g.previous == nil {
		return nil, ErrNoPrevious
	}
	return g.previous, nil
}

// put checks all that can be wrong, and then changes everything.
func (g *Gateway) put(ctx context.Context, s *config.Snapshot, c *Change) ([]record.ConfigChange, error) {
	if s == nil {
		return nil, errors.New("gateway: reload without a configuration")
	}
	changes, restarts := changesBetween(g.present(), s)
	if problems := g.needRestart(s, changes, restarts); len(problems) > 0 {
		return nil, fmt.Errorf("reload refused, the old configuration stays in force: %w", errors.Join(problems...))
	}
	if problems := g.opensArmed(s); len(problems) > 0 {
		return nil, fmt.Errorf("reload refused, the old configuration stays in force: %w", errors.Join(problems...))
	}
	level, err := zapcore.ParseLevel(s.Log.Level)
	if err != nil {
		return nil, fmt.Errorf("log.level: %w", err)
	}
	if ask := g.wouldAsk(ctx, s, changes); ask != nil && (c.Unattended || ask.Answer != c.Agreed) {
		return nil, ask
	}
	for _, p := range g.lines {
		l := p.loop()
		if err := l.accept(accepted{s, c.Who}); err != nil {
			g.options.Log.Warn("the configuration changed without a line that has ended", zap.String("line", l.set.name))
		}
	}
	if g.options.LogLevel != nil {
		g.options.LogLevel.SetLevel(level)
	}
	g.previous = g.present()
	g.snapshot.Store(s)
	g.shifts.Store(&s.Shifts)
	g.leastFree.Store(int64(s.Journal.LeastFree))
	g.inForce.Store(&status.Config{File: s.File, Hash: s.Hash, At: time.Now(), By: c.Who.By})
	return changes, nil
}

// Config tells which configuration is in force, and of the newest that was
// refused since.
func (g *Gateway) Config() status.Config { return *g.inForce.Load() }

// Words is the language of people, nil for English.
func (g *Gateway) Words() *wording.Words { return g.present().Words }

// present is the configuration in force.
func (g *Gateway) present() *config.Snapshot { return g.snapshot.Load() }

// needRestart names what cannot change while the daemon runs.
func (g *Gateway) needRestart(s *config.Snapshot, changes []record.ConfigChange, restarts map[string]string) []error {
	var problems []error
	seen := map[string]bool{}
	for i := range s.Lines {
		if _, err := settingsOf(s, &s.Lines[i], g.options.Pair != nil); err != nil {
			return []error{err}
		}
		name := s.Lines[i].Recipe.Name
		seen[name] = true
		if _, err := g.line(name); err != nil {
			problems = append(problems, fmt.Errorf("line %s: is new; restart to add a line", name))
		}
	}
	for _, p := range g.lines {
		if !seen[p.name] {
			problems = append(problems, fmt.Errorf("line %s: is in force but not in the new configuration; restart to remove a line", p.name))
		}
	}
	if len(problems) > 0 {
		return problems
	}
	named := map[string]bool{} // lines and sections with a problem
	for _, c := range changes {
		remedy := restarts[c.Key]
		if remedy == "" {
			continue
		}
		problems = append(problems, fmt.Errorf("%s: would change from %s to %s; %s", c.Key, cmp.Or(c.Old, "nothing"), cmp.Or(c.New, "nothing"), remedy))
		if parts := strings.Split(c.Key, "."); len(parts) > 2 {
			named[strings.Join(parts[:3], ".")] = true
		}
	}
	// A secret is not among the values.
	for _, p := range g.lines {
		l := p.loop()
		i := indexOf(s, l.set.name)
		key := fmt.Sprintf("lines.%d.controller", i)
		if !named[key] && !reflect.DeepEqual(l.set.config.Controller, s.Lines[i].Controller) {
			problems = append(problems, fmt.Errorf("%s: a secret would change; restart the daemon to change it", key))
		}
	}
	return problems
}

func indexOf(s *config.Snapshot, name string) int {
	for i := range s.Lines {
		if s.Lines[i].Recipe != nil && s.Lines[i].Recipe.Name == name {
			return i
		}
	}
	return -1
}
