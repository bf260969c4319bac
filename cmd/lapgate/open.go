package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
)

// dialers makes the dialer of each configured controller; what should not stay
// as it is goes to the log.
func (p *program) dialers(log *zap.Logger) func(*config.Line) (link.Dialer, error) {
	return func(l *config.Line) (link.Dialer, error) {
		return p.connections.Of(l, warnTo(log, l))
	}
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

// journalOpener opens the journal of each line below the configured directory.
func journalOpener(s *config.Snapshot) func(context.Context, string) (gateway.Journal, error) {
	return func(ctx context.Context, line string) (gateway.Journal, error) {
		path := s.Journal.Path(line)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return nil, err
		}
		j, err := journal.Open(ctx, path)
		if err != nil {
			if errors.Is(err, journal.ErrInUse) {
				return nil, fmt.Errorf("another process serves this line: %w", err)
			}
			return nil, err
		}
		return j, nil
	}
}
