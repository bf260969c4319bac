package logging

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"lapgate/gateway/config"
)

func TestRepeats(t *testing.T) {
	seen, logs := observer.New(zapcore.DebugLevel)
	core := newRepeatsCore(seen)
	start := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	write := func(c zapcore.Core, after time.Duration, text string, fields ...zap.Field) {
		t.Helper()
		if err := c.Write(zapcore.Entry{Time: start.Add(after), Level: zapcore.WarnLevel, Message: text}, fields); err != nil {
			t.Fatal(err)
		}
	}
	one := core.With([]zap.Field{zap.String("line", "one")})
	two := core.With([]zap.Field{zap.String("line", "two")})
	for i := range 100 {
		write(one, time.Duration(i)*time.Second, "invalid read")
	}
	write(two, 100*time.Second, "invalid read")
	write(one, 101*time.Second, "offer", zap.Uint32("roll", 7))
	write(one, 102*time.Second, "offer", zap.Uint32("roll", 8))
	// At 60 s the message was written again, with 59 repeats; the last 39 come
	// out when it has been quiet for a minute.
	write(two, 200*time.Second, "something else")

	type line struct {
		text    string
		repeats int64
		over    bool
	}
	var got []line
	for _, e := range logs.All() {
		m := e.ContextMap()
		n, _ := m["repeats"].(int64)
		over, _ := m["over"].(bool)
		got = append(got, line{e.Message, n, over})
	}
	want := []line{
		{"invalid read", 0, false}, {"invalid read", 59, false}, {"invalid read", 0, false},
		{"offer", 0, false}, {"offer", 0, false},
		{"invalid read", 39, true}, {"something else", 0, false},
	}
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("entry %d: got %v, want %v", i, got[i], want[i])
		}
	}
}

func TestRepeatsSync(t *testing.T) {
	seen, logs := observer.New(zapcore.DebugLevel)
	log := zap.New(newRepeatsCore(seen))
	for range 5 {
		log.Warn("again")
	}
	if err := log.Sync(); err != nil {
		t.Fatal(err)
	}
	if n := logs.FilterField(zap.Int("repeats", 4)).Len(); n != 1 || logs.Len() != 2 {
		t.Errorf("got %d entries, %d of them with the 4 repeats", logs.Len(), n)
	}
}

// TestAnswersToAPersonAreNeverKeptBack: the second refusal within a minute may have another
// reason than the first.
func TestAnswersToAPersonAreNeverKeptBack(t *testing.T) {
	seen, logs := observer.New(zapcore.DebugLevel)
	log := zap.New(newRepeatsCore(seen))
	for _, reason := range []string{"no such key", "open values"} {
		log.Error("configuration refused", zap.String("by", "kim"), zap.String("error", reason))
	}
	if err := log.Sync(); err != nil {
		t.Fatal(err)
	}
	if logs.FilterField(zap.String("error", "open values")).Len() != 1 || logs.Len() != 2 {
		t.Errorf("got %v, want both refusals", logs.All())
	}
}

// TestLevelIsSet: a level that is set holds for the loggers that were made before.
func TestLevelIsSet(t *testing.T) {
	var b bytes.Buffer
	log, level, err := New(&b, config.Log{Level: "warn", Format: "json"})
	if err != nil {
		t.Fatal(err)
	}
	line := log.With(zap.String("line", "north"))
	for _, l := range []zapcore.Level{zapcore.WarnLevel, zapcore.DebugLevel, zapcore.ErrorLevel} {
		level.SetLevel(l)
		line.Debug("debug at " + l.String())
		line.Warn("warn at " + l.String())
		line.Error("error at " + l.String())
	}
	var got []string
	for text := range strings.Lines(b.String()) {
		_, message, _ := strings.Cut(text, `"msg":"`)
		message, _, _ = strings.Cut(message, `"`)
		got = append(got, message)
	}
	if want := []string{"warn at warn", "error at warn", "debug at debug", "warn at debug", "error at debug", "error at error"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestMessageCannotForgeALine: what others wrote into a message stays on its line and moves
// no cursor.
func TestMessageCannotForgeALine(t *testing.T) {
	for _, format := range []string{"json", "console"} {
		var b bytes.Buffer
		log, _, err := New(&b, config.Log{Level: "info", Format: format})
		if err != nil {
			t.Fatal(err)
		}
		log.Info("reason: ok\n2026-03-01\tINFO\tdisarmed\x1b[2K", zap.String("by", "kim\n\x1b"))
		if got := b.String(); strings.Count(got, "\n") != 1 || strings.Contains(got, "\x1b") || !strings.Contains(got, "x1b[2K") {
			t.Errorf("%s: got %q", format, got)
		}
	}
}
