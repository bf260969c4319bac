package alarm

import (
	"cmp"
	"errors"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"lapgate/recipe/wording"
)

// List is the alarms of one line. It is used by one goroutine.
type List struct {
	rule   func(code string) (Rule, bool)
	alarms []entry
	listed []Alarm // what Alarms gave out, nil after a change
}

// entry is an alarm with what stands behind its state.
type entry struct {
	key     string
	rule    Rule
	stage   int
	active  bool
	unacked bool
	since   time.Time
	cleared time.Time
	acked   string // who acknowledged what is active
	shelved time.Time
	retired bool
	by      string // who shelved or retired it
	reason  string

	standing time.Time // since when the condition is seen, zero for not
	gone     time.Time // since when it is not seen while active, zero for not
	before   bool      // of before the start: nobody knows yet whether its condition stands
}

// settling is how long after a start an alarm of before stays without being seen.
const settling = 30 * time.Second

// New returns an empty list over a table of conditions. A code that the table
// does not have, or has without a priority, makes no alarm.
func New(rule func(code string) (Rule, bool)) *List { return &List{rule: rule} }

// CodeOf is the code of a key.
func CodeOf(key string) string {
	code, _, _ := strings.Cut(key, "/")
	return code
}

// find returns the entry of a key, a new one where there is none yet, or nil
// where the key makes no alarm.
func (l *List) find(key string) *entry {
	if e := l.known(key); e != nil {
		return e
	}
	r, ok := l.rule(CodeOf(key))
	if !ok || r.Priority == None {
		return nil
	}
	if r.Firm {
		r.On, r.Off = 0, 0
	}
	l.alarms = append(l.alarms, entry{key: key, rule: r})
	return &l.alarms[len(l.alarms)-1]
}

func (l *List) known(key string) *entry {
	if i := slices.IndexFunc(l.alarms, func(e entry) bool { return e.key == key }); i >= 0 {
		return &l.alarms[i]
	}
	return nil
}

// See takes all conditions that stand now, and the codes of what happened once
// and stands for itself since it was last called. It returns what changed, in order; the
// list has taken the changes.
func (l *List) See(now time.Time, standing []Condition, once []string) []Event {
	var out []Event
	do := func(e Event) {
		l.take(now, e)
		out = append(out, e)
	}
	for _, key := range once {
		if e := l.find(key); e != nil && !e.active {
			do(Event{Key: key, Act: Raise})
			do(Event{Key: key, Act: Clear})
		}
	}
	for _, c := range standing {
		e := l.find(c.Key)
		if e == nil {
			continue
		}
		e.gone, e.before = time.Time{}, false
		if e.standing.IsZero() {
			e.standing = now
		}
		if e.active && c.Stage > e.stage || !e.active && now.Sub(e.standing) >= e.rule.On {
			do(Event{Key: c.Key, Act: Raise, Stage: c.Stage})
		}
	}
	for i := range l.alarms {
		e := &l.alarms[i]
		if !slices.ContainsFunc(standing, func(c Condition) bool { return c.Key == e.key }) {
			e.standing = time.Time{}
			if e.gone.IsZero() {
				e.gone = now
			}
			off := e.rule.Off
			if e.before {
				off = max(off, settling)
			}
			if e.active && now.Sub(e.gone) >= off {
				do(Event{Key: e.key, Act: Clear})
			}
		}
		if !e.shelved.IsZero() && !now.Before(e.shelved) {
			do(Event{Key: e.key, Act: Unshelve, Reason: "the shelf has ended"})
		}
	}
	l.forget()
	return out
}

// forget drops what is normal and has nothing pending.
func (l *List) forget() {
	for i := range l.alarms {
		if e := &l.alarms[i]; e.state() == Normal {
			e.since, e.cleared, e.acked = time.Time{}, time.Time{}, ""
		}
	}
	l.alarms = slices.DeleteFunc(l.alarms, func(e entry) bool { return e.state() == Normal && e.standing.IsZero() })
}

// take brings one change about.
func (l *List) take(at time.Time, ev Event) {
	e := l.find(ev.Key)
	if e == nil {
		return
	}
	l.listed = nil
	switch ev.Act {
	case Raise:
		if e.active {
			e.shelved = time.Time{} // it has become worse
		} else {
			e.since = at
		}
		e.active, e.unacked, e.stage, e.acked, e.cleared = true, true, ev.Stage, "", time.Time{}
		e.forgetPerson()
	case Clear:
		e.active, e.stage, e.cleared = false, 0, at
	case Ack:
		e.unacked, e.acked = false, ev.By
	case Shelve:
		e.shelved, e.by, e.reason = ev.Until, ev.By, ev.Reason
	case Retire:
		e.retired, e.by, e.reason = true, ev.By, ev.Reason
	case Unshelve, Reactivate:
		if ev.Act == Unshelve {
			e.shelved = time.Time{}
		} else {
			e.retired = false
		}
		// What happened meanwhile called nobody: only what still stands does.
		e.unacked = e.active
		e.acked = ""
		e.forgetPerson()
	}
}

// forgetPerson drops who set the alarm aside once it is not set aside any more.
func (e *entry) forgetPerson() {
	if e.shelved.IsZero() && !e.retired {
		e.by, e.reason = "", ""
	}
}

// Recover takes a change that was recorded, before the first See.
func (l *List) Recover(at time.Time, e Event) {
	l.take(at, e)
	if k := l.known(e.Key); k != nil {
		k.before = true
	}
	l.forget()
}

// Changes gives the fewest changes, each with its time, from which Recover brings the
// present list about.
func (l *List) Changes() iter.Seq2[time.Time, Event] {
	return func(yield func(time.Time, Event) bool) {
		for i := range l.alarms {
			e := &l.alarms[i]
			type change struct {
				at time.Time
				Event
			}
			var all []change
			// What is set aside comes first: an alarm that is normal would be forgotten before.
			if !e.shelved.IsZero() {
				all = append(all, change{e.since, Event{Act: Shelve, By: e.by, Reason: e.reason, Until: e.shelved}})
			}
			if e.retired {
				all = append(all, change{e.since, Event{Act: Retire, By: e.by, Reason: e.reason}})
			}
			if !e.since.IsZero() {
				all = append(all, change{e.since, Event{Act: Raise, Stage: e.stage}})
				if !e.active {
					all = append(all, change{e.cleared, Event{Act: Clear}})
				}
				if !e.unacked {
					all = append(all, change{e.since, Event{Act: Ack, By: e.acked}})
				}
			}
			for _, c := range all {
				c.Key = e.key
				if e.state() != Normal && !yield(c.at, c.Event) {
					return
				}
			}
		}
	}
}

// Do takes the act of a named person on each alarm that key means: the one of that
// key, or all of a code. latest is the latest end of a shelf. It returns the changes,
// which the list has taken, or why there are none: the error tells every problem, and
// then nothing has changed.
func (l *List) Do(now time.Time, ev Event, latest time.Time) ([]Event, error) {
	var problems []error
	if ev.By == "" {
		problems = append(problems, wording.Refuse(wording.Say("refused.alarm.name")))
	}
	keys, err := l.meant(ev.Key, ev.Act)
	problems = append(problems, err)
	var out []Event
	var refusals []error
	for _, key := range keys {
		one := ev
		one.Key = key
		if err := l.refuse(now, one, latest); err != nil {
			refusals = append(refusals, err)
			continue
		}
		out = append(out, one)
	}
	if len(out) == 0 { // else what a whole code means is done where there is something to do
		problems = append(problems, refusals...)
	}
	if err := errors.Join(problems...); err != nil {
		l.forget()
		return nil, err
	}
	for _, one := range out {
		l.take(now, one)
	}
	l.forget()
	return out, nil
}

// meant lists the alarms of a key. An act before any alarm means the key itself.
func (l *List) meant(key string, act Act) ([]string, error) {
	var keys []string
	for i := range l.alarms {
		if e := &l.alarms[i]; (e.key == key || CodeOf(e.key) == key) && e.state() != Normal {
			keys = append(keys, e.key)
		}
	}
	if len(keys) > 0 {
		return keys, nil
	}
	if r, ok := l.rule(CodeOf(key)); !ok || r.Priority == None {
		return nil, wording.Refuse(wording.Say("refused.alarm.none", "alarm", strconv.Quote(key)))
	}
	if act == Shelve || act == Retire { // of one that comes and goes
		return []string{key}, nil
	}
	return nil, wording.Refuse(wording.Say("refused.alarm.normal", "alarm", key))
}

// refuse says why an act on one alarm is not done, nil where it is.
func (l *List) refuse(now time.Time, ev Event, latest time.Time) error {
	if why := l.refusal(now, ev, latest); !why.IsZero() {
		return wording.Refuse(why)
	}
	return nil
}

func (l *List) refusal(now time.Time, ev Event, latest time.Time) (why wording.Said) {
	e := l.find(ev.Key)
	state := e.state()
	switch ev.Act {
	case Ack:
		if !e.unacked || state == Shelved || state == OutOfService {
			return wording.Say("refused.alarm.seen", "alarm", ev.Key, "state", byWhom(state, cmp.Or(e.acked, e.by)))
		}
	case Shelve, Retire:
		word := wording.Say("refused.alarm.retired")
		if ev.Act == Shelve {
			word = wording.Say("alarm.shelved")
		}
		switch {
		case e.rule.Firm:
			return wording.Say("refused.alarm.firm", "alarm", ev.Key, "state", word, "next", e.rule.Remedy)
		case ev.Reason == "":
			return wording.Say("refused.alarm.reason", "alarm", ev.Key, "state", word)
		case ev.Act == Shelve && !ev.Until.After(now):
			return wording.Say("refused.alarm.past", "at", ev.Until.Format(time.DateTime))
		case ev.Act == Shelve && ev.Until.After(latest):
			return wording.Say("refused.alarm.shift", "at", latest.Format(time.DateTime))
		}
	case Unshelve:
		if e.shelved.IsZero() {
			return wording.Say("refused.alarm.unshelved", "alarm", ev.Key)
		}
	case Reactivate:
		if !e.retired {
			return wording.Say("refused.alarm.in-service", "alarm", ev.Key)
		}
	default:
		return wording.Say("refused.alarm.act", "what", strconv.Quote(string(ev.Act)))
	}
	return why
}

// byWhom is a state, with who brought it about where that is known.
func byWhom(s State, name string) wording.Said {
	state := wording.Say("alarm." + s.String())
	if name == "" {
		return state
	}
	return wording.Say("alarm.by", "state", state, "by", name)
}

func (e *entry) state() State {
	switch {
	case e.retired:
		return OutOfService
	case !e.shelved.IsZero():
		return Shelved
	case e.active && e.unacked:
		return Unacknowledged
	case e.active:
		return Acknowledged
	case e.unacked:
		return Returned
	}
	return Normal
}

// Alarms lists what is not normal: by state, what calls for somebody first, then
// by priority, then the newest first. It is not to be changed: as long as nothing
// happens to an alarm, everybody gets the same.
func (l *List) Alarms() []Alarm {
	if l.listed != nil {
		return l.listed
	}
	out := []Alarm{}
	for i := range l.alarms {
		e := &l.alarms[i]
		a := Alarm{
			Key: e.key, Priority: e.rule.Priority, State: e.state(), Active: e.active, Since: e.since, Cleared: e.cleared,
			By: e.by, Until: e.shelved, Reason: e.reason, Meaning: e.rule.Meaning, Remedy: e.rule.Remedy.String(),
		}
		switch a.State {
		case Normal:
			continue
		case Acknowledged:
			a.By = e.acked
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(a, b Alarm) int {
		return cmp.Or(cmp.Compare(rank(a.State), rank(b.State)), cmp.Compare(b.Priority, a.Priority), b.Since.Compare(a.Since))
	})
	l.listed = out
	return out
}

// rank is the place of a state in the list.
func rank(s State) int {
	return slices.Index([]State{Unacknowledged, Returned, Acknowledged, Shelved, OutOfService}, s)
}
