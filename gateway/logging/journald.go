package logging

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-systemd/v22/journal"
	"go.uber.org/zap/zapcore"

	"lapgate/gateway/present"
)

// journald reports whether what is written to w is taken by the journal of systemd, as
// systemd says in JOURNAL_STREAM. Where it says that in words not understood, no.
func journald(w io.Writer) bool {
	taken, err := journal.StderrIsJournalStream()
	return w == io.Writer(os.Stderr) && taken && err == nil
}

// journalCore hands entries to the journal of systemd by its native protocol: what
// elsewhere is only text has there a field of its own too, LAPGATE_LINE for line, so that
// the journal can be searched by it.
type journalCore struct {
	zapcore.LevelEnabler
	text   zapcore.Encoder // of MESSAGE: without time and level, which the journal has itself
	fields []zapcore.Field // added by With
	stream zapcore.Core    // takes what the journal does not
}

func (c *journalCore) With(fields []zapcore.Field) zapcore.Core {
	with := *c
	with.fields = slices.Concat(c.fields, fields)
	with.stream = c.stream.With(fields)
	return &with
}

func (c *journalCore) Check(e zapcore.Entry, ce *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if c.Enabled(e.Level) {
		return ce.AddCore(e, c)
	}
	return ce
}

func (c *journalCore) Write(e zapcore.Entry, fields []zapcore.Field) error {
	all := slices.Concat(c.fields, fields)
	text, err := c.text.EncodeEntry(e, all)
	if err != nil {
		return err
	}
	defer text.Free()
	if journal.Send(strings.TrimSuffix(text.String(), "\n"), priority(e.Level), journalFields(all)) != nil {
		return c.stream.Write(e, fields)
	}
	return nil
}

func (c *journalCore) Sync() error { return c.stream.Sync() }

// priority is the PRIORITY of a level, as syslog numbers it.
func priority(l zapcore.Level) journal.Priority {
	switch {
	case l >= zapcore.DPanicLevel:
		return journal.PriCrit
	case l == zapcore.ErrorLevel:
		return journal.PriErr
	case l == zapcore.WarnLevel:
		return journal.PriWarning
	case l == zapcore.InfoLevel:
		return journal.PriInfo
	}
	return journal.PriDebug
}

// journalFields are the fields of an entry by their names in the journal.
func journalFields(fields []zapcore.Field) map[string]string {
	// The unit's SyslogIdentifier is for the text of standard error alone.
	out := map[string]string{"SYSLOG_IDENTIFIER": "lapgate"}
	for _, f := range fields {
		m := zapcore.NewMapObjectEncoder()
		f.AddTo(m)
		if value, ok := m.Fields[f.Key]; ok {
			out[journalName(f.Key)] = present.Clean(fieldText(value))
		}
	}
	return out
}

// journalName is the name of a field in the journal, which knows only capital letters,
// digits and underscores: LAPGATE_LINES_0_WRAP_SPEED for lines.0.wrap.speed.
func journalName(key string) string {
	const most = 64 // bytes; a field with a longer name is thrown away
	name := strings.Map(func(r rune) rune {
		if 'A' <= r && r <= 'Z' || '0' <= r && r <= '9' {
			return r
		}
		return '_'
	}, "LAPGATE_"+strings.ToUpper(key))
	return name[:min(len(name), most)]
}

func fieldText(value any) string {
	switch v := value.(type) {
	case string:
		return v
	case time.Time:
		return v.Format(time.RFC3339Nano)
	case fmt.Stringer: // a duration
		return v.String()
	}
	text, err := json.Marshal(value)
	if err != nil {
		return fmt.Sprint(value)
	}
	return string(text)
}
