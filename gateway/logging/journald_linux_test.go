package logging

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
	_ "unsafe" // for go:linkname

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lapgate/gateway/config"
)

// journalSocket is where the library sends to; it has no other way to say another place.
//
//go:linkname journalSocket github.com/coreos/go-systemd/v22/journal.journalSocket
var journalSocket string

// listen puts a socket of the test in the place of the journal's for its time.
func listen(t *testing.T) *net.UnixConn {
	t.Helper()
	path := filepath.Join(t.TempDir(), "socket")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	before := journalSocket
	journalSocket = path
	t.Cleanup(func() {
		journalSocket = before
		_ = c.Close()
	})
	if err := c.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	return c
}

// next reads the fields of the next entry. A value with line breaks stands behind its
// length, any other behind an equals sign.
func next(t *testing.T, c *net.UnixConn) map[string]string {
	t.Helper()
	b := make([]byte, 1<<16)
	n, err := c.Read(b)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for b = b[:n]; len(b) > 0; {
		line, rest, _ := bytes.Cut(b, []byte("\n"))
		name, value, plain := bytes.Cut(line, []byte("="))
		if !plain {
			size := binary.LittleEndian.Uint64(rest)
			value, rest = rest[8:8+size], rest[8+size+1:]
		}
		if _, twice := got[string(name)]; twice {
			t.Errorf("%s stands twice", name)
		}
		got[string(name)], b = string(value), rest
	}
	return got
}

func TestEntriesInTheJournalHaveFields(t *testing.T) {
	c := listen(t)
	var own syscall.Stat_t
	if err := syscall.Fstat(syscall.Stderr, &own); err != nil {
		t.Fatal(err)
	}
	t.Setenv("JOURNAL_STREAM", fmt.Sprintf("%d:%d", own.Dev, own.Ino))
	log, level, err := New(os.Stderr, config.Log{Level: "info", Format: "console"})
	if err != nil {
		t.Fatal(err)
	}
	line := log.With(zap.String("line", "north"))
	line.Debug("below the level")
	line.Warn("roll held", zap.String("code", "head-missing"), zap.Uint32("roll", 1190), zap.String("remedy", "look\nand see"),
		zap.Duration("after", 1500*time.Millisecond), zap.Error(errors.New("no answer")), zap.Strings("lines", []string{"north", "south"}),
		zap.Time("at", time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)), zap.String("lines.0.wrap.speed", "1 m/s -> 2 m/s"))
	line.Error("second")
	level.SetLevel(zap.ErrorLevel)
	line.Warn("below the level now")
	level.SetLevel(zap.DebugLevel)
	line.Debug("third")
	want := []map[string]string{{
		"PRIORITY": "4", "SYSLOG_IDENTIFIER": "lapgate", "LAPGATE_LINE": "north", "LAPGATE_CODE": "head-missing", "LAPGATE_ROLL": "1190",
		"LAPGATE_REMEDY": `look\nand see`, "LAPGATE_AFTER": "1.5s", "LAPGATE_ERROR": "no answer", "LAPGATE_LINES": `["north","south"]`,
		"LAPGATE_AT": "2026-03-01T22:00:00Z", "LAPGATE_LINES_0_WRAP_SPEED": "1 m/s -> 2 m/s",
		"MESSAGE": `roll held {"line": "north", "code": "head-missing", "roll": 1190, "remedy": "look\nand see", "after": "1.5s", ` +
			`"error": "no answer", "lines": ["north", "south"], "at": "2026-03-01T22:00:00.000Z", "lines.0.wrap.speed": "1 m/s -> 2 m/s"}`,
	}, {
		"PRIORITY": "3", "SYSLOG_IDENTIFIER": "lapgate", "LAPGATE_LINE": "north", "MESSAGE": `second {"line": "north"}`,
	}, {
		"PRIORITY": "7", "SYSLOG_IDENTIFIER": "lapgate", "LAPGATE_LINE": "north", "MESSAGE": `third {"line": "north"}`,
	}}
	for i := range want {
		if got := next(t, c); !maps.Equal(got, want[i]) {
			t.Errorf("entry %d:\n got %q\nwant %q", i, got, want[i])
		}
	}
}

// TestJournalTakesEveryName: the journal throws away a field whose name has other
// characters than these or is longer than 64 bytes.
func TestJournalTakesEveryName(t *testing.T) {
	for _, key := range []string{"line", "lines.0.stand", "größe", "a b=c\n", strings.Repeat("specs.0.", 20)} {
		if got := journalName(key); !regexp.MustCompile(`^LAPGATE_[A-Z0-9_]{1,56}$`).MatchString(got) {
			t.Errorf("%q: got %q", key, got)
		}
	}
}

// TestLogWithoutJournal: a log to elsewhere is none of the journal's, whatever takes
// standard error; neither is standard error where something else takes it.
func TestLogWithoutJournal(t *testing.T) {
	var own syscall.Stat_t
	if err := syscall.Fstat(syscall.Stderr, &own); err != nil {
		t.Fatal(err)
	}
	t.Setenv("JOURNAL_STREAM", fmt.Sprintf("%d:%d", own.Dev, own.Ino))
	if !journald(os.Stderr) || journald(&bytes.Buffer{}) {
		t.Error("want the journal for standard error alone")
	}
	for _, other := range []string{fmt.Sprintf("%d:%d", own.Dev, own.Ino+1), "nonsense", ""} {
		t.Setenv("JOURNAL_STREAM", other)
		if journald(os.Stderr) {
			t.Errorf("%q: want no journal", other)
		}
	}
}

// TestJournalThatTakesNothing: an entry is not lost where nobody listens.
func TestJournalThatTakesNothing(t *testing.T) {
	_ = listen(t).Close()
	var b bytes.Buffer
	c := config.Log{Level: "info", Format: "json"}
	stream := zapcore.NewCore(encoder(c, true), zapcore.AddSync(&b), zapcore.InfoLevel)
	log := zap.New(&journalCore{LevelEnabler: zapcore.InfoLevel, text: encoder(c, false), stream: stream})
	log.With(zap.String("line", "north")).Info("taken", zap.Int("roll", 7))
	if got := b.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, `"msg":"taken","line":"north","roll":7`) {
		t.Errorf("got %q", got)
	}
}
