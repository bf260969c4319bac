package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/block"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
)

// dialerOf makes the dialer of one configured controller.
func dialerOf(l *config.Line) (link.Dialer, error) {
	c := &l.Controller
	layout, err := link.NewLayout(map[block.ID]int{
		block.REQ: int(c.Bases.Request), block.OUT: int(c.Bases.Outcomes), block.HEARTBEAT: int(c.Bases.Heartbeat),
		block.HELLO: int(c.Bases.Hello), block.PAYLOAD: int(c.Bases.Payload), block.COMMIT: int(c.Bases.Commit),
		block.ACK: int(c.Bases.Ack),
	})
	if err != nil {
		return nil, err
	}
	conf := modbus.Config{Unit: uint8(c.Unit), Layout: layout, Limits: link.Limits{Read: link.MostRead, Write: link.MostWrite}, Timeout: c.Times.RequestTimeout}
	switch c.Protocol {
	case config.ModbusTCP:
		return modbus.NewTCP(c.Address, conf)
	default:
		return nil, fmt.Errorf("controller.protocol %q cannot be served by this version; want %s", c.Protocol, config.ModbusTCP)
	}
}

// journalOpener opens the journal of each line below the configured directory,
// and tells of one that was damaged and set aside.
func journalOpener(s *config.Snapshot, log *zap.Logger) func(context.Context, string) (gateway.Journal, error) {
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
		if o := j.Opened(); o.SetAside != "" {
			log.Error("the journal failed its check; it was set aside untouched and a new one begun",
				zap.String("line", line), zap.String("set_aside", o.SetAside), zap.String("problem", o.Problem))
		}
		return j, nil
	}
}
