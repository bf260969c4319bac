package main

import (
	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/logging"
)

// dialers makes the dialer of each configured controller; what should not stay
// as it is goes to the log.
func (p *program) dialers(log *zap.Logger) func(*config.Line) (link.Dialer, error) {
	return func(l *config.Line) (link.Dialer, error) {
		return p.connections.Of(l, warnTo(log, l))
	}
}

// dialer is the way to the controller of one line for a command, which logs to
// standard error.
func (p *program) dialer(s *config.Snapshot, l *config.Line) (link.Dialer, error) {
	log, _, err := logging.New(p.stderr, s.Log)
	if err != nil {
		return nil, err
	}
	return p.dialers(log)(l)
}

// warnTo logs the warnings of the connection of a line.
func warnTo(log *zap.Logger, l *config.Line) func(link.Warning) {
	return func(w link.Warning) {
		log.Warn(w.Text, zap.String("line", l.Recipe.Name), zap.String("code", w.Code), zap.String("remedy", w.Help))
	}
}

// lookup finds a variable of the environment handed in that is not empty.
func (p *program) lookup(name string) (string, bool) {
	v := p.getenv(name)
	return v, v != ""
}
