package gateway_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/record"
)

// TestWhoMay gives every command as every kind of sender. Whoever reaches the socket
// may stop a line; all else needs the group that the configuration names, and where
// it names none root or the daemon's own user.
func TestWhoMay(t *testing.T) {
	arming := map[string]string{"control.groups.arm": "shift", "control.groups.end_hold": "operators", "control.groups.override": "shift",
		"control.groups.confirm": "operators", "control.groups.restart": "shift", "control.groups.reload": "engineers", "control.groups.correct": "shift", "control.groups.hang": "operators", "control.groups.station": "operators", "control.groups.accept_journal": "engineers"}
	senders := map[string]control.Caller{
		"trusted":   {User: "lapgate", Trusted: true},
		"shift":     {User: "ola", Groups: []string{"ola", "shift"}},
		"operators": {User: "kim", Groups: []string{"operators"}},
		"engineers": {User: "per", Groups: []string{"engineers"}},
		"nobody":    {},
	}
	commands := []struct {
		name    string
		request control.Request
		group   string // in the configuration that names groups; empty for everybody
	}{
		{"arm", control.Request{Command: control.Arm}, "shift"},
		{"disarm", control.Request{Command: control.Disarm}, ""},
		{"hold", control.Request{Command: control.Hold}, ""},
		{"hold --off", control.Request{Command: control.Hold, Off: true}, "operators"},
		{"override", control.Request{Command: control.Override}, "shift"},
		{"confirm", control.Request{Command: control.Confirm}, "operators"},
		{"restart", control.Request{Command: control.Restart}, "shift"},
		{"correct", control.Request{Command: control.Correct, Record: 1}, "shift"},
		{"journal accept", control.Request{Command: control.AcceptJournal}, "engineers"},
		{"hang", control.Request{Command: control.Hang}, "operators"},
		{"station", control.Request{Command: control.Station}, "operators"},
		{"reload", control.Request{Command: control.Reload}, "engineers"},
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, set := range []map[string]string{nil, arming} {
		core, logs := observer.New(zap.InfoLevel)
		g, err := gateway.New(gateway.Options{Snapshot: snapshot(t, t.TempDir(), set), Dialer: noDialer, OpenJournal: noJournal, Log: zap.New(core)})
		if err != nil {
			t.Fatal(err)
		}
		o := &gateway.Operator{Gateway: g}
		for _, c := range commands {
			for name, sender := range senders {
				r := c.request
				r.By, r.Reason, r.Line, r.Caller = "somebody", "why", "north", sender
				got := o.Handle(ended, r)
				may := c.group == "" || sender.Trusted || set != nil && name == c.group
				if refused := strings.Contains(got.Error, "may not do this"); refused == may {
					t.Errorf("%s by %s, groups %v: got %+v", c.name, name, set, got)
				}
				entry := logs.TakeAll()
				if last := entry[len(entry)-1].ContextMap(); last["user"] != sender.User || last["by"] != "somebody" || last["command"] != string(r.Command) {
					t.Errorf("%s by %s is logged as %v", c.name, name, last)
				}
			}
		}
	}
}

// TestUserInRecords: each act is recorded with the name that was given and the user
// that it was done as. The number of a badge is a name.
func TestUserInRecords(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShadow(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(2 * time.Second) // of virtual time
		o := &gateway.Operator{Gateway: g}
		for _, r := range []control.Request{
			{Command: control.Hold, By: " 4711 ", Reason: "cleaning"},
			{Command: control.Arm, By: "kim", Reason: "go live"},
			{Command: control.Disarm, By: "kim", Reason: "enough"},
			{Command: control.Correct, By: "kim", Reason: "it was Ola who held the line", Record: 1},
		} {
			r.Caller = control.Caller{User: "ola", Trusted: true}
			if got := o.Handle(t.Context(), r); got.Outcome != control.Done {
				t.Errorf("%s: got %+v", r.Command, got)
			}
		}
		if got := o.Handle(t.Context(), control.Request{Command: control.Correct, By: "kim", Reason: "x", Record: 99, Caller: control.Daemon()}); got.Outcome != control.Usage ||
			!strings.Contains(got.Error, "the journal has no record 99") {
			t.Errorf("a correction of no record: %+v", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		found := 0
		for _, r := range s.verify() {
			switch r := r.Record.(type) {
			case record.Hold:
				found++
				if r.By != "4711" || r.User != "ola" {
					t.Errorf("got %+v", r)
				}
			case record.Correction:
				found++
				if r.Seq != 1 || r.User != "ola" || r.By != "kim" {
					t.Errorf("got %+v", r)
				}
			case record.Mode:
				found++
				if r.By != "kim" || r.User != "ola" {
					t.Errorf("got %+v", r)
				}
			}
		}
		if found != 4 {
			t.Errorf("%d records, want 4", found)
		}
	})
}
