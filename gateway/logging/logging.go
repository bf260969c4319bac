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

// New makes a log that writes to w as the configuration says. Equal warnings and
// errors are written once and then counted. An error means that the level is
// none.
func New(w io.Writer, c config.Log) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(c.Level)
	if err != nil {
		return nil, fmt.Errorf("log.level: %w", err)
	}
	e := zap.NewProductionEncoderConfig()
	e.EncodeTime = zapcore.ISO8601TimeEncoder
	e.EncodeDuration = zapcore.StringDurationEncoder
	encoder := zapcore.NewJSONEncoder(e)
	if c.Format == "console" {
		e.EncodeLevel = zapcore.CapitalLevelEncoder
		encoder = zapcore.NewConsoleEncoder(e)
	}
	return zap.New(newRepeatsCore(zapcore.NewCore(encoder, zapcore.Lock(zapcore.AddSync(w)), level))), nil
}
