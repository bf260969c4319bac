package gateway

import (
	"fmt"
	"strings"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/recipe"
)

// OpenError says that a line cannot be armed because values of its configuration are to
// be measured first.
type OpenError struct {
	Line string
	Open []recipe.Open
}

// Error names each value, what stands in for it, and how it is measured.
func (e *OpenError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "line %s: it stays in shadow until these values are measured and written in place of open:", e.Line)
	for _, o := range e.Open {
		fmt.Fprintf(&b, "\n%s: %s: %s stands in; %s", o.Where, o.Key, o.StandsIn, o.How)
	}
	return b.String()
}

// openIn is an error where a line has open values in a configuration.
func openIn(s *config.Snapshot, line string) error {
	for i := range s.Lines {
		if r := s.Lines[i].Recipe; r.Name == line && len(r.Open) > 0 {
			return &OpenError{line, r.Open}
		}
	}
	return nil
}

// opensArmed tells why a configuration cannot be put in force while lines are armed
// whose values it leaves open; nil where that is not so.
func (g *Gateway) opensArmed(s *config.Snapshot) []error {
	var all []error
	for _, l := range g.Lines() {
		if err := openIn(s, l.Name); err != nil && l.Armed {
			all = append(all, fmt.Errorf("line %s is armed, and the new configuration leaves values open; disarm it first: %w", l.Name, err))
		}
	}
	return all
}

// tellOpen logs why a line with open values stays in shadow.
func (l *lineLoop) tellOpen() {
	open := l.set.config.Recipe.Open
	if len(open) == 0 {
		return
	}
	keys := make([]string, len(open))
	for i := range open {
		keys[i] = open[i].Key
	}
	l.log.Warn("the line stays in shadow, and every roll is held, until what the configuration leaves open is measured; lapgate check tells how", zap.Strings("open", keys))
}
