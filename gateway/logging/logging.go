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
// are written once and then counted. An error means that the level is none.
func New(w io.Writer, c config.Log) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(c.Level)
	if err != nil {
		return nil, fmt.Errorf("log.level: %w", err)
	}
	core := zapcore.NewCore(encoder(c, true), zapcore.Lock(zapcore.AddSync(w)), level)
	if journald(w) {
		core = &journalCore{LevelEnabler: level, text: encoder(c, false), stream: core}
	}
	return zap.New(newRepeatsCore(core)), nil
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
