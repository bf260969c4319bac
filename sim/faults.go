package sim

import (
	"math/rand/v2"
	"slices"
	"time"
)

// SimulatedFault is one named way in which the line, its controller or its
// network can fail.
type SimulatedFault struct {
	Name string  `json:"fault"`
	Text string  `json:"what"`
	at   []point // where in the life of a roll it may occur
	// low and high bound how long it lasts.
	low, high time.Duration
}

// point in the life of a roll at the station.
type point uint8

const (
	atMeasure point = iota // the first measurement is about to be made
	atRequest              // the request was raised
	atPayload              // the payload for the request has arrived
	atRun                  // an offer was accepted
	atOutcome              // the roll has left
)

// pointNames are what people call the points.
var pointNames = [...]string{"measure", "request", "payload", "run", "outcome"}

// Points are the points in the life of a roll at which the fault may occur, by
// their names.
func (f *SimulatedFault) Points() []string {
	var names []string
	for _, p := range f.at {
		names = append(names, pointNames[p])
	}
	return names
}

const (
	cutLink           = "link-cut"
	blackHole         = "black-hole"
	lateReply         = "late-reply"
	restart           = "controller-restart"
	restartCleared    = "controller-restart-cleared"
	memoryLost        = "memory-lost"
	tornBlock         = "torn-block"
	permissiveDrop    = "permissive-drop"
	rescan            = "rescan"
	wrongEcho         = "wrong-echo"
	staleScan         = "stale-scan"
	lostCommit        = "lost-commit"
	duplicateWrite    = "duplicate-write"
	ackLost           = "ack-lost"
	heartbeatFrozen   = "heartbeat-frozen"
	manualMode        = "manual-mode"
	removeRoll        = "remove-roll"
	noWrapper         = "no-wrapper"
	rollGone          = "roll-gone"
	eyeFlicker        = "eye-flicker"
	aborted           = "abort"
	exception         = "modbus-exception"
	gatewayRequestTTL = 500 * time.Millisecond // usual request timeout of a gateway
)

// SimulatedFaults lists every fault by name, in the order of the documentation.
func SimulatedFaults() []SimulatedFault {
	anywhere := []point{atRequest, atPayload, atRun, atOutcome}
	ms := time.Millisecond
	return []SimulatedFault{
		{cutLink, "connections break and none is accepted for a moment", anywhere, 100 * ms, 700 * ms},
		{blackHole, "nothing gets through while connections stay up; what was sent arrives afterwards", anywhere, 900 * ms, 2200 * ms},
		{lateReply, "an answer comes after the usual request timeout", anywhere, gatewayRequestTTL + 100*ms, gatewayRequestTTL + 400*ms},
		{restart, "the controller restarts with its memory and its registers kept", anywhere, 200 * ms, 600 * ms},
		{restartCleared, "the controller restarts with its memory kept and the gateway's registers emptied", anywhere, 200 * ms, 600 * ms},
		{memoryLost, "the controller restarts and has lost its memory; the operator acknowledges it", anywhere, 200 * ms, 600 * ms},
		{tornBlock, "a read of the request block returns half of a new and half of an old one", anywhere, 0, 0},
		{permissiveDrop, "a permissive goes off for a moment while an offer is on its way", []point{atPayload}, 400 * ms, 1200 * ms},
		{rescan, "the roll is measured again while an offer is on its way", []point{atRequest, atPayload}, 0, 0},
		{wrongEcho, "the controller's own width changes under the same request", []point{atPayload}, 0, 0},
		{staleScan, "the scan is already too old when the roll asks", []point{atMeasure}, 0, 0},
		{lostCommit, "a commit is confirmed but never reaches the controller's memory", []point{atRequest}, 0, 0},
		{duplicateWrite, "an old write lands once more over a newer one", []point{atPayload, atRun, atOutcome}, 0, 0},
		{ackLost, "an acknowledgement is confirmed but never reaches the controller's memory", []point{atOutcome}, 0, 0},
		{heartbeatFrozen, "the controller's program stops for a moment while its link still answers", anywhere, 1100 * ms, 1900 * ms},
		{manualMode, "the operator takes the roll in hand", []point{atRequest, atPayload}, 0, 0},
		{removeRoll, "the roll is taken away while it waits", []point{atRequest, atPayload}, 0, 0},
		{noWrapper, "the slot that fits the roll runs out and is changed", []point{atMeasure}, 300 * ms, 900 * ms},
		{rollGone, "the roll is taken away while it is wrapped", []point{atRun}, 0, 0},
		{eyeFlicker, "the sensor at the station misses the roll for a moment", []point{atRequest, atPayload, atRun}, 0, 0},
		{aborted, "an abort is reported, and the roll lies at the station for a while", []point{atRun}, 100 * ms, 600 * ms},
		{exception, "a Modbus request is answered with an exception", anywhere, 0, 0},
	}
}

// namesOf are the names of a list, in its order.
func namesOf[T any](list []T, name func(*T) string) []string {
	names := make([]string, len(list))
	for i := range list {
		names[i] = name(&list[i])
	}
	return names
}

// PlannedFault is one planned occurrence of a fault.
type PlannedFault struct {
	Fault string
	Roll  int           // ordinal of the roll, from 1
	Delay int           // scans after the point
	For   time.Duration // how long it lasts
	Dice  uint64        // for what else must be chosen
	at    point
	// pinned is set for a fault that is wanted at one roll: where it finds nothing to
	// disturb there, it does not occur.
	pinned bool
}

// FaultAt wants a fault at one roll.
type FaultAt struct {
	Fault string
	Roll  int    // ordinal of the roll, from 1
	Point string // one of its points; empty for the first of them
}

// planAt lays down the faults that are wanted at certain rolls.
func planAt(c FaultConfig) (all []PlannedFault) {
	for _, w := range c.At {
		for i, f := range SimulatedFaults() {
			if f.Name != w.Fault {
				continue
			}
			rng := rand.New(rand.NewPCG(c.Seed^uint64(w.Roll)<<32, uint64(i)+1))
			s := PlannedFault{Fault: f.Name, Roll: w.Roll, at: f.at[max(slices.Index(f.Points(), w.Point), 0)], Dice: rng.Uint64(), For: (f.low + f.high) / 2, pinned: true}
			all = append(all, s)
		}
	}
	return all
}

// wrong tells what is wrong with the faults that are wanted at certain rolls.
func (c *FaultConfig) wrong(rolls int, add func(bad bool, format string, args ...any)) {
	all := SimulatedFaults()
	for _, w := range c.At {
		i := slices.IndexFunc(all, func(f SimulatedFault) bool { return f.Name == w.Fault })
		add(i < 0, "no fault is named %q", w.Fault)
		add(w.Roll < 1 || w.Roll > rolls, "%s is wanted at roll %d, and there are %d", w.Fault, w.Roll, rolls)
		add(i >= 0 && w.Point != "" && !slices.Contains(all[i].Points(), w.Point), "%s cannot occur at point %q, want one of %v", w.Fault, w.Point, all[max(i, 0)].Points())
	}
}

// plan lays down every fault of a shift beforehand. The plan depends on the
// seed and on the set of faults alone, so that it can be repeated.
func plan(c FaultConfig, rolls int) []PlannedFault {
	wanted := map[string]bool{}
	for _, n := range c.Names {
		wanted[n] = true
	}
	var all []PlannedFault
	for i, f := range SimulatedFaults() {
		if !wanted[f.Name] && !wanted["all"] {
			continue
		}
		// Numbers of its own for each fault: adding one changes no other.
		rng := rand.New(rand.NewPCG(c.Seed, uint64(i)+1))
		order := rng.Perm(rolls)
		for _, r := range order[:min(c.Count, rolls)] {
			s := PlannedFault{Fault: f.Name, Roll: r + 1, at: f.at[rng.IntN(len(f.at))], Dice: rng.Uint64()}
			// A payload is followed by its commit at once; to come between the
			// two there is no time to lose.
			if s.at != atMeasure && s.at != atPayload {
				s.Delay = rng.IntN(8)
			}
			if f.high > f.low {
				s.For = f.low + time.Duration(rng.Int64N(int64(f.high-f.low)))
			}
			all = append(all, s)
		}
	}
	return all
}

// FaultCount is how often a fault occurred.
type FaultCount struct {
	Fault    string `json:"fault"`
	Occurred int    `json:"occurred"`
}
