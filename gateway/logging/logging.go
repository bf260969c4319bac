// Package logging makes the log of the daemon: its format and level, and the
// first of equal warnings in place of each.
package logging

import (
	"fmt"
	"io"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lapgate/gateway/config"
)

// New makes a log that writes to w as the configuration says. Where w is standard error
// and the journal of systemd takes it, entries have fields there. Equal warnings and errors
// are written once and then counted. The level may be set at any time, and holds at once for
// all loggers that were made of this one. An error means that the configured one is none.
func New(w io.Writer, c config.Log) (log *zap.Logger, level zap.AtomicLevel, err error) {
	if level, err = zap.ParseAtomicLevel(c.Level); err != nil {
		return nil, level, fmt.Errorf("log.level: %w", err)
	}
	core := zapcore.NewCore(encoder(c, true), zapcore.Lock(zapcore.AddSync(w)), level)
	if journald(w) {
		core = &journalCore{LevelEnabler: level, text: encoder(c, false), stream: core}
	}
	return zap.New(newRepeatsCore(core)), level, nil
}

// encoder forms entries as the configuration says, with or without time and level.
func encoder(c config.Log, stamped bool) zapcore.Encoder {
	e := zap.NewProductionEncoderConfig()
	e.EncodeTime = zapcore.ISO8601TimeEncoder
	e.EncodeDuration = zapcore.StringDurationEncoder
	if !stamped {
		e.TimeKey, e.LevelKey, e.ConsoleSeparator = "", "", " "
	}
	if c.Format == "console" {
		e.EncodeLevel = zapcore.CapitalLevelEncoder
		return zapcore.NewConsoleEncoder(e)
	}
	return zapcore.NewJSONEncoder(e)
}
