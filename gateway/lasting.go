package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// standing is what the records tell of the right to write.
type standing struct {
	mode  *record.Mode // newest, nil without one
	asked bool         // a person armed the line or held it, in this journal
	held  bool         // every roll is held, by a word newer than the mode
	rolls int          // that got a recipe since a person armed the line
	roll  uint32       // the newest of them
	done  bool         // that one has left, or the next one has come

	// What a lasting arming is held against is how the line was while it was armed. A
	// start alone changes none of it: one that was cut short, or waited for its controller,
	// does not make the next one find a line that was served a moment ago.
	serves bool           // the line is armed in this stay of the daemon
	under  *record.Config // that the line was armed with last
	left   time.Time      // when an armed line was served last, as far as is known
}

// add takes the next record. config is the newest configuration, whole, with that of
// the record.
func (s *standing) add(r record.Stored, config *record.Config) {
	switch r := r.Record.(type) {
	case record.Config:
		s.serves = s.serves && !r.Start
	case record.Mode:
		s.mode, s.serves, s.held = &r, r.Armed, false
		if r.Cause == "" {
			s.rolls, s.roll = 0, 0
			s.asked = s.asked || r.Armed
		}
	case record.Carry:
		s.mode, s.asked, s.rolls, s.roll, s.done = r.Mode, r.Asked, r.Rolls, r.Roll, false
		s.serves, s.held = r.Mode != nil && r.Mode.Armed, r.Past.HoldAll
	case record.Hold:
		s.asked, s.held = true, r.On
	case record.Verdict:
		if r.Verdict == handshake.Accepted && s.mode != nil && s.mode.Armed {
			s.rolls, s.roll, s.done = s.rolls+1, r.Roll, false
		}
	case record.Request:
		s.done = s.done || r.Roll != s.roll
	case record.Outcome:
		s.done = s.done || r.Outcome.RollNo == s.roll
	}
	if s.serves {
		s.under, s.left = config, r.At
	}
}

// takesOver reports whether the line may take over armed from the other machine of a
// pair: by a person's word on both that is newer than every disarming and every hold that
// stands.
func (s *standing) takesOver() bool {
	return s.mode != nil && s.mode.Armed && s.mode.Pair && !s.held
}

// over tells why an arming that was given for a while is over, empty where it is not.
func (s *standing) over(now time.Time) string {
	if s.mode == nil || !s.mode.Armed || s.mode.Lasts == nil {
		return ""
	}
	switch l := s.mode.Lasts; {
	case !l.Until.IsZero() && !now.Before(l.Until):
		return "it was armed by " + s.mode.By + " until " + l.Until.Format(time.DateTime)
	case l.Rolls > 0 && s.rolls >= l.Rolls && s.done:
		if l.Rolls == 1 {
			return "it was armed by " + s.mode.By + " for 1 roll"
		}
		return fmt.Sprintf("it was armed by %s for %d rolls", s.mode.By, l.Rolls)
	}
	return ""
}

// modeOf is the record of an arming.
func modeOf(e *cycle.Arm) record.Mode {
	return record.Mode{Armed: e.On, By: e.By, User: e.User, Reason: e.Reason, Cause: e.Cause, Controller: e.Controller, Lasts: e.Lasts, Pair: e.Pair}
}

// startMode decides how the line begins: in shadow, but for an act of the program
// itself. Where a person's arming lasts and nothing speaks against it yet, it waits for
// the controller. It returns a record where there is something new to say.
func (l *lineLoop) startMode() (change *record.Mode) {
	last, act := l.stands.mode, l.options.Arm
	mode := record.Mode{By: self, Controller: l.set.identity}
	if path, problem := l.journal.SetAside(); path != "" {
		mode.Reason, mode.Cause = "the journal was set aside untouched as "+path+": "+problem, record.CauseJournal
		return &mode
	}
	switch {
	case act != nil && len(l.set.config.Recipe.Open) == 0 && (last == nil || last.Armed || last.Cause == record.CauseRestart):
		mode.Armed, mode.By, mode.User, mode.Reason, mode.Pair = true, act.By, l.options.user, act.Reason, l.pair != nil
		return &mode
	case last == nil || !last.Armed:
		return nil
	}
	if mode.Reason = l.endedBy(); mode.Reason == "" {
		l.waits = last
		return nil
	}
	mode.Cause = record.CauseRestart
	return &mode
}

// endedBy tells why an arming does not last over this start, empty where the
// controller is all that can still speak against it.
func (l *lineLoop) endedBy() string {
	now, before := l.declared, l.stands.under
	switch last := l.stands.mode; {
	case last.Lasts == nil:
		return "the daemon was started anew, and " + last.By + " had not armed the line for longer"
	case len(l.doubts()) > 0:
		return "the journal may not be the one that the line was armed under: " + strings.Join(l.doubts(), "; ")
	case before == nil || before.Hash != now.Hash || before.Text != now.Text:
		return "the configuration is not the one that the line was armed under"
	case before.Program != now.Program:
		return "the program is another version than the line was armed under, " + before.Program
	}
	if over := l.stands.over(time.Now()); over != "" {
		return over
	}
	return l.away()
}

// doubts are what speaks against the journal being that of the line.
func (l *lineLoop) doubts() []string {
	return slices.Concat(l.machine.Past().Doubts, l.doubted)
}

// doubtsAtStart are the doubts that are found at a start. What was noted beside the
// journal counts where it alone tells that records are missing, as after a kill that the
// write-ahead log did not come through.
func (l *lineLoop) doubtsAtStart() []string {
	found := l.journal.Doubts()
	if len(found) == 0 && l.left.Records > l.lastSeq {
		found = []string{fmt.Sprintf("the journal had %d records when the line was served last, and has %d: its end was cut off, or it was restored from a backup", l.left.Records, l.lastSeq)}
	}
	return found
}

// away tells that nobody served the line for too long, empty where that is not so.
func (l *lineLoop) away() string {
	most, gone := l.set.config.Arming.Away, time.Since(l.left.At)
	if gone >= 0 && gone < most {
		return ""
	}
	return fmt.Sprintf("nobody served the line from %s on for %s, and arming.away is %s", l.left.At.Format(time.DateTime), gone.Round(time.Second), most)
}

// shadowed tells people, where a person had armed the line, why it is in shadow.
func (l *lineLoop) shadowed(ctx context.Context) {
	switch m := l.stands.mode; {
	case m == nil || m.Armed || m.Cause == "":
	default:
		l.handle(ctx, cycle.Shadowed{Cause: m.Cause, Reason: m.Reason})
	}
	if !l.armed && (!l.stands.asked || len(l.doubts()) > 0) {
		l.handle(ctx, cycle.HoldsUnknown{})
	}
}

// resume arms the line again that waits for its controller, once that is found as it
// was left.
func (l *lineLoop) resume(ctx context.Context) {
	if l.waits == nil || l.pair != nil && !l.pair.current() {
		return
	}
	why := l.endedBy()
	if why == "" && l.lost {
		why = "the controller counts from the beginning: it lost its memory, or another one stands there"
	}
	if why == "" {
		if l.port == nil || !l.seen {
			return
		}
		report, err := l.look(ctx)
		switch past := l.machine.Past(); {
		case err != nil && report.Unreachable:
			return
		case err != nil:
			why = err.Error()
		case l.floor < l.left.Floor:
			why = fmt.Sprintf("the controller knew session %d and knows none after %d now: it lost its memory, or another one stands there", l.left.Floor, l.floor)
		case l.floor > past.Epoch && l.pair == nil:
			why = fmt.Sprintf("the controller knows session %d, and the journal none after %d: it is a copy of before, or another gateway served the line", l.floor, past.Epoch)
		}
	}
	m := l.waits
	l.waits = nil
	if why != "" {
		l.rest(ctx, record.CauseRestart, why)
		return
	}
	l.handle(ctx, cycle.Arm{On: true, By: m.By, User: m.User, Reason: m.Reason, Cause: record.CauseResumed, Controller: l.set.identity, Lasts: m.Lasts, Pair: m.Pair})
}

// keepTime does what time alone brings about: an arming that waits or is over, and the
// note that the line is served.
func (l *lineLoop) keepTime(ctx context.Context) {
	if l.halted != nil {
		return
	}
	l.resume(ctx)
	now := time.Now()
	if why := l.stands.over(now); why != "" && l.armed {
		l.disarmOther(why)
		l.rest(ctx, record.CauseOver, why)
	}
	if now.Sub(l.noted.At) >= noteEvery || putBack(l.noted.At, now) || l.noted.Floor != l.floor || l.noted.Records != l.lastSeq {
		l.note(now)
	}
}

// putBack tells whether the clock of the machine was put back between two moments.
func putBack(before, now time.Time) bool { return now.Round(0).Before(before.Round(0)) }

// rest puts the line into shadow, or leaves it there, until a person arms it.
func (l *lineLoop) rest(ctx context.Context, cause record.ModeCause, why string) {
	e := cycle.Arm{By: self, Reason: why, Cause: cause, Controller: l.set.identity}
	if l.armed {
		l.handle(ctx, e)
	} else {
		l.append(context.WithoutCancel(ctx), modeOf(&e))
	}
	if l.halted == nil {
		l.handle(ctx, cycle.Shadowed{Cause: cause, Reason: why})
	}
}

// Between two notes that the line is served.
const noteEvery = 30 * time.Second

// served is what stands beside the journal while a lasting arming is in force.
type served struct {
	At      time.Time `json:"at"`
	Floor   uint32    `json:"floor"`   // of the controller
	Records uint64    `json:"records"` // of the journal, all durable
}

// servedFile, after the path of the journal, is the file of it.
const servedFile = ".served"

// forget removes that note, once what it tells stands in the journal.
func (l *lineLoop) forget() {
	if err := os.Remove(l.set.journal + servedFile); err != nil && !errors.Is(err, fs.ErrNotExist) {
		l.log.Warn("the note of how the line was served last cannot be removed", zap.Error(err))
	}
}

// note writes that the line is served. It is not made durable: what a power cut takes
// of it makes the line seem to have been left earlier.
func (l *lineLoop) note(now time.Time) {
	if !l.armed || l.stands.mode == nil || l.stands.mode.Lasts == nil {
		return
	}
	l.noted = served{now.UTC(), l.floor, l.lastSeq}
	path := l.set.journal + servedFile
	text, err := json.Marshal(l.noted)
	if err == nil {
		err = os.WriteFile(path+".new", text, 0o640)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		l.log.Warn("it cannot be noted that the line is served; after a restart it may be in shadow", zap.Error(err))
	}
}

// leftAs is how the line was left, by the journal and by what note wrote.
func (l *lineLoop) leftAs() served {
	left := served{At: l.stands.left}
	var noted served
	text, err := os.ReadFile(l.set.journal + servedFile)
	if err != nil || json.Unmarshal(text, &noted) != nil {
		return left
	}
	left.Floor, left.Records = noted.Floor, noted.Records
	// A note of all records was written after the newest of them, also where the clock was put
	// back in between.
	if noted.Records >= l.lastSeq || noted.At.After(left.At) {
		left.At = noted.At
	}
	return left
}
