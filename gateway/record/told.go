package record

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/handshake"
)

// Told is one thing that somebody did, or changed, as a person would tell it.
type Told struct {
	Seq    uint64    `json:"seq" label:"record"`
	At     time.Time `json:"at"`
	Kind   Kind      `json:"kind" label:"-"`
	By     string    `json:"by,omitempty" label:"-"`
	User   string    `json:"user,omitempty" label:"-"`
	What   string    `json:"what"`
	Key    string    `json:"key,omitempty" label:"-"` // of a configuration, that changed
	Old    string    `json:"old,omitempty" label:"-"`
	New    string    `json:"new,omitempty" label:"-"`
	Where  string    `json:"where,omitempty" label:"-"`
	Config string    `json:"config,omitempty" label:"-"` // hash of the configuration from there on
}

// Tell tells what somebody did or changed with a record: nothing for one that the line
// made by itself, and one thing for each changed key of a configuration.
func Tell(s Stored) []Told {
	t := Told{Seq: s.Seq, At: s.At, Kind: s.Record.Kind()}
	one := func(by, user, format string, args ...any) []Told {
		t.By, t.User = by, user
		t.What = person(by, user) + " " + fmt.Sprintf(format, args...)
		return []Told{t}
	}
	switch r := s.Record.(type) {
	case Mode:
		act := "put the line into shadow"
		if r.Armed {
			act = "armed the line"
		}
		return one(r.By, r.User, "%s: %s", act, r.Reason)
	case Hold:
		act := "ended the hold"
		if r.On {
			act = "held every roll"
		}
		return one(r.By, r.User, "%s: %s", act, r.Reason)
	case Override:
		return one(r.By, r.User, "chose setpoints for roll %d: %s", r.Roll, r.Text)
	case Confirm:
		return one(r.By, r.User, "answered for roll %d, %s: %s", r.Roll, r.Finding, r.Text)
	case Hang:
		return one(r.By, r.User, "told of slot %d: %s", r.Slot, r.State)
	case Station:
		return one(r.By, r.User, "said that %s is worked %s", r.Station, r.Mode)
	case Heads:
		return one(r.By, r.User, "counted %d heads of %s", r.Count, r.Material)
	case Alarm:
		if r.By == "" {
			return nil
		}
		if r.Reason == "" {
			return one(r.By, r.User, "on alarm %s: %s", r.Alarm, r.Act)
		}
		return one(r.By, r.User, "on alarm %s: %s, %s", r.Alarm, r.Act, r.Reason)
	case Accept:
		return one(r.By, r.User, "accepted the journal: %s", r.Reason)
	case Correction:
		return one(r.By, r.User, "said that record %d is wrong: %s", r.Seq, r.Reason)
	case Config:
		t.Config = handshake.ConfigHash(r.Hash).String()
		return r.tell(&t)
	}
	return nil
}

// tell tells of a configuration, each change for itself. t has what they share.
func (r *Config) tell(t *Told) []Told {
	t.By, t.User = r.By, r.User
	did := "read the configuration again"
	if r.Start {
		did = "began to serve the line"
	}
	of := strings.TrimSpace(r.File + " " + t.Config)
	if len(r.Changes) == 0 {
		t.What = fmt.Sprintf("%s %s with %s, nothing changed", person(r.By, r.User), did, of)
		return []Told{*t}
	}
	var out []Told
	for i := range r.Changes {
		c, one := &r.Changes[i], *t
		one.Key, one.Old, one.New, one.Where = c.Key, c.Old, c.New, c.Where
		old, now := c.Words()
		one.What = fmt.Sprintf("%s changed %s from %s to %s", person(r.By, r.User), c.Key, orNothing(old), orNothing(now))
		if c.Where != "" {
			one.What += ", " + c.Where
		}
		if r.Start {
			one.What += ", found at a start"
		}
		out = append(out, one)
	}
	return out
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

func orNothing(value string) string {
	if value == "" {
		return "nothing"
	}
	return value
}
