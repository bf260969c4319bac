package cycle

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Status is what a machine tells of itself: plain data for a status page,
// metrics and tests.
type Status struct {
	State    State
	Reason   string // why it halted
	Armed    bool
	Standby  bool
	Fenced   bool   // in a pair: the controller serves a newer session, and no greater lease came since
	FencedAt uint32 // number of the lease that was held when it was fenced
	LinkUp   bool
	HoldAll  bool
	Session  handshake.Session // zero without one
	Boot     uint32            // of the session
	Adopted  bool              // whether the controller adopted the session
	Config   uint32            // hash of the configuration in force
	Line     *recipe.Line      // that configuration, with what persons told since; never changed
	Waiting  bool              // another configuration waits for the next roll
	Override uint32            // roll that an override waits for, 0 none

	Seen        bool // whether the fields of the request below mean anything
	Age         time.Duration
	Token       handshake.Token
	Roll        uint32
	Tag         string
	Phase       handshake.Phase
	Flags       handshake.Flags
	Permissives uint32

	Open        *record.OfferName // offer that is not closed
	LastVerdict *record.Verdict

	Produced, Acked, Journaled uint32 // outcomes
	Covered                    uint32 // every roll number up to it is in the journal or in a gap
	StaleCommits               uint32
	CycleTime                  time.Duration // request to verdict, newest accepted

	Conditions []string // codes that were raised and have not ended, oldest first
	Counts     []Count
}

// Count is one counter; keys are words with parts after slashes.
type Count struct {
	Key string
	N   uint64
}

// Conditions are the codes that were raised and have not ended, oldest first.
func (m *Machine) Conditions() (keys []string) {
	for _, c := range m.conditions {
		keys = append(keys, c.key)
	}
	return keys
}

// Status returns a copy; the counters are sorted by key.
func (m *Machine) Status() Status {
	w := &m.view
	s := Status{
		State: m.state, Reason: m.why, Armed: m.armed, Standby: m.standby(), Fenced: m.state == StateFenced, FencedAt: m.fencedAt, LinkUp: m.linkUp, HoldAll: m.mem.HoldAll,
		Session: m.ses.name, Boot: m.ses.boot, Adopted: m.ses.adopted, Config: m.hash, Line: m.asTold(), Waiting: m.next != nil,
		Seen: w.seen, Token: w.token, Roll: w.roll, Tag: w.tag, Phase: w.phase, Flags: w.flags, Permissives: w.permissives,
		Produced: w.produced, Acked: w.acked, Journaled: m.mem.Outcomes, Covered: m.mem.Covered, StaleCommits: w.stale,
		CycleTime: m.cycleTime, Conditions: m.Conditions(), Counts: m.counts,
	}
	if w.seen {
		s.Age = m.now.Mono - w.validAt
	}
	if m.override != nil {
		s.Override = m.override.given.RollNo
	}
	if o := m.mem.Open; o != nil {
		name := o.Name
		s.Open = &name
	}
	if v := m.mem.Verdict; v != nil {
		c := *v
		s.LastVerdict = &c
	}
	return s
}
