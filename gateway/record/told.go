package record

import (
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe/wording"
)

// Told is one thing that somebody did, or changed, as a person would tell it.
type Told struct {
	Seq    uint64         `json:"seq" label:"record"`
	At     time.Time      `json:"at"`
	Kind   Kind           `json:"kind" label:"-"`
	By     string         `json:"by,omitempty" label:"-"`
	User   string         `json:"user,omitempty" label:"-"`
	What   wording.Phrase `json:"what"`
	Key    string         `json:"key,omitempty" label:"-"` // of a configuration, that changed
	Old    string         `json:"old,omitempty" label:"-"`
	New    string         `json:"new,omitempty" label:"-"`
	Where  string         `json:"where,omitempty" label:"-"`
	Config string         `json:"config,omitempty" label:"-"` // hash of the configuration from there on
}

// Tell tells what somebody did or changed with a record: nothing for one that the line
// made by itself, and one thing for each changed key of a configuration.
func Tell(s Stored) []Told {
	t := Told{Seq: s.Seq, At: s.At, Kind: s.Record.Kind()}
	one := func(by, user, key string, pairs ...any) []Told {
		t.By, t.User = by, user
		t.What = told(by, user, wording.Say(key, pairs...))
		return []Told{t}
	}
	switch r := s.Record.(type) {
	case Mode:
		switch {
		case r.Armed:
			return one(r.By, r.User, "did.armed", "reason", r.Reason)
		case r.Reason == "": // a line is disarmed at once, and nobody is asked why
			return one(r.By, r.User, "did.disarmed.unsaid")
		}
		return one(r.By, r.User, "did.disarmed", "reason", r.Reason)
	case Hold:
		if r.On {
			return one(r.By, r.User, "did.hold", "reason", r.Reason)
		}
		return one(r.By, r.User, "did.hold.ended", "reason", r.Reason)
	case Override:
		return one(r.By, r.User, "did.override", "number", r.Roll, "reason", r.Text)
	case Confirm:
		return one(r.By, r.User, "did.confirm", "number", r.Roll, "finding", string(r.Finding), "text", r.Text)
	case Hang:
		return one(r.By, r.User, "did.hang", "slot", r.Slot, "state", wording.Word("slot-state", string(r.State)))
	case Station:
		return one(r.By, r.User, "did.station", "station", r.Station, "mode", wording.Word("station-mode", r.Mode))
	case Heads:
		return one(r.By, r.User, "did.heads", "count", r.Count, "head", r.Material)
	case Alarm:
		if r.By == "" {
			return nil
		}
		if r.Reason == "" {
			return one(r.By, r.User, "did.alarm", "alarm", r.Alarm, "state", wording.Word("alarm-act", r.Act))
		}
		return one(r.By, r.User, "did.alarm.why", "alarm", r.Alarm, "state", wording.Word("alarm-act", r.Act), "why", r.Reason)
	case Accept:
		return one(r.By, r.User, "did.accept-journal", "reason", r.Reason)
	case Register:
		return one(r.By, r.User, "did.register-journal", "reason", r.Reason)
	case Takeover:
		if r.Alive {
			return one(r.By, r.User, "did.takeover.alive", "reason", r.Reason)
		}
		return one(r.By, r.User, "did.takeover", "reason", r.Reason)
	case Correction:
		return one(r.By, r.User, "did.correct", "number", r.Seq, "reason", r.Reason)
	case Config:
		t.Config = handshake.ConfigHash(r.Hash).String()
		return r.tell(&t)
	}
	return nil
}

// told is what somebody did, with the name of who did it.
func told(by, user string, what wording.Said) wording.Phrase {
	return wording.Phrase{Said: wording.Say("did", "by", person(by, user), "what", what)}
}

// tell tells of a configuration, each change for itself. t has what they share.
func (r *Config) tell(t *Told) []Told {
	t.By, t.User = r.By, r.User
	if len(r.Changes) == 0 {
		key := "did.read"
		if r.Start {
			key = "did.start"
		}
		t.What = told(r.By, r.User, wording.Say(key, "name", strings.TrimSpace(r.File+" "+t.Config)))
		return []Told{*t}
	}
	var out []Told
	for i := range r.Changes {
		c, one := &r.Changes[i], *t
		one.Key, one.Old, one.New, one.Where = c.Key, c.Old, c.New, c.Where
		what := c.Said("did.change")
		if c.Where != "" {
			what = wording.Say("list.comma", "first", what, "rest", c.Where)
		}
		if r.Start {
			what = wording.Say("did.change.start", "what", what)
		}
		one.What = told(r.By, r.User, what)
		out = append(out, one)
	}
	return out
}

// Said is the change by a sentence with the places {setting}, {from} and {to}.
func (c *ConfigChange) Said(key string) wording.Said {
	old, now := c.Words()
	return wording.Say(key, "setting", c.Key, "from", orNothing(old), "to", orNothing(now))
}

// Words are both values as people read them: what was converted to another unit with as
// many figures as anybody could have measured, unless they would then read the same.
func (c *ConfigChange) Words() (old, now string) {
	if old, now = brief(c.Old), brief(c.New); old == now {
		return c.Old, c.New
	}
	return old, now
}

// brief shortens the numbers of a value of a configuration: a quantity, or a range of two.
func brief(value string) string {
	const figures, exact = 6, len("0.123456")
	parts := strings.Split(value, "..")
	for i, part := range parts {
		number, unit, _ := strings.Cut(part, " ")
		x, err := strconv.ParseFloat(number, 64)
		if err != nil || len(number) <= exact || !strings.Contains(number, ".") {
			continue
		}
		parts[i] = strings.TrimSpace(strconv.FormatFloat(x, 'g', figures, 64) + " " + unit)
	}
	return strings.Join(parts, "..")
}

func orNothing(value string) wording.Said {
	if value == "" {
		return wording.Say("did.change.nothing")
	}
	return wording.Plain(value)
}
