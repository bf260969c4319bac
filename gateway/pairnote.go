package gateway

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/lease"
)

// actsFile, after the path of the journal, is where the acts of a machine of a pair are
// noted.
const actsFile = ".acts"

// noted is what was done by hand on this machine of a pair, as far as the other may have
// to hear of it. It stands beside the journal, so that it outlives the daemon: the other
// machine may be away for long.
type noted struct {
	Mode   time.Time  `json:"mode,omitzero"`  // the newest arming or disarming
	Hold   time.Time  `json:"hold,omitzero"`  // the newest hold, or end of one
	Held   bool       `json:"held,omitempty"` // it was a hold
	Untold []awaiting `json:"untold,omitempty"`
}

// awaiting is an act that the other machine has not taken.
type awaiting struct {
	Key  string    `json:"key"`
	Kind string    `json:"kind"`
	Body string    `json:"body"`
	At   time.Time `json:"at"`
}

// ownActs keeps what is noted of one line. Times are compared by the steady clock as long as
// the daemon runs.
type ownActs struct {
	path string // empty: nothing is kept
	mu   sync.Mutex
	noted
}

// load reads what was noted. A file that cannot be read notes nothing.
func (o *ownActs) load(path string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.path = path
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = json.Unmarshal(text, &o.noted)
	}
	if err != nil {
		o.noted = noted{}
		return fmt.Errorf("%s, which tells what the other machine was not told yet: %w; give the newest hold and disarm again on both machines", path, err)
	}
	return nil
}

// done notes an act that was done here.
func (o *ownActs) done(kind string, at time.Time) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.take(kind, at)
	return o.write()
}

func (o *ownActs) take(kind string, at time.Time) {
	switch kind {
	case lease.ActHold, lease.ActHoldOff:
		o.Hold, o.Held = at, kind == lease.ActHold
	default:
		o.Mode = at
	}
}

// post notes an act that the other machine is to hear of, in place of those that it
// replaces, and hands it on.
func (o *ownActs) post(a engine.Act, at time.Time, post func() *lease.Posted) (posted *lease.Posted, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.take(a.Kind, at)
	o.Untold = slices.DeleteFunc(o.Untold, func(x awaiting) bool { return replaces(a.Kind, x.Kind) })
	o.Untold = append(o.Untold, awaiting{a.Key, a.Kind, a.Body, at})
	err = o.write()
	return post(), err
}

// replaces reports whether an act of one kind makes an earlier one of another superfluous
// that the other machine has not heard of.
func replaces(newer, earlier string) bool {
	holds := func(kind string) bool { return kind == lease.ActHold || kind == lease.ActHoldOff }
	return holds(newer) && holds(earlier) || newer == lease.ActDisarm && earlier == lease.ActDisarm
}

// told notes that the other machine has answered an act.
func (o *ownActs) told(key string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	before := len(o.Untold)
	if o.Untold = slices.DeleteFunc(o.Untold, func(x awaiting) bool { return x.Key == key }); len(o.Untold) == before {
		return nil // a newer one took its place
	}
	return o.write()
}

// overtaken reports whether what was done here since makes an act of the other machine
// void that was done at a time: the newest counts, and an arming yields to a hold too.
func (o *ownActs) overtaken(kind string, at time.Time) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch kind {
	case lease.ActHold, lease.ActHoldOff:
		return o.Hold.After(at)
	case lease.ActArm, lease.ActArmed:
		return o.Mode.After(at) || o.Held && o.Hold.After(at)
	}
	return o.Mode.After(at)
}

// waiting are the acts that the other machine has not taken.
func (o *ownActs) waiting() []awaiting {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.Untold)
}

// write writes the file, if there is one.
func (o *ownActs) write() error {
	if o.path == "" {
		return nil
	}
	text, err := json.Marshal(&o.noted)
	if err != nil {
		return err
	}
	return journal.Replace(o.path, append(text, '\n'))
}
