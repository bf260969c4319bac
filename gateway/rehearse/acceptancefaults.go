package rehearse

import (
	"lapgate/gateway/acceptance"
	"lapgate/gateway/handshake"
	"lapgate/recipe/notice"
)

// tried is a fault in a draft: how, and what has to come of it. What is expected is what
// the handshake promises, not what a run happened to show.
type tried struct {
	points   []string // of a fault of the wire; each has a step
	rolls    int      // of one of the process, and its strength
	strength float64
	expected acceptance.Expected
	note     string
	lasts    bool // it leaves something behind for the rolls after it, so that it comes last
}

// expect has one roll at each of some points in its life.
func expect(e acceptance.Expected, points ...string) tried { return tried{points: points, expected: e} }

// AcceptanceSteps are the steps of a draft for the faults that the simulator has, in
// their order. A fault without a row has none.
func AcceptanceSteps() []acceptance.FaultStep {
	table := faultTable()
	var all, last []acceptance.FaultStep
	for _, f := range AcceptanceFaults() {
		for _, row := range table[f.Name] {
			note := f.What
			if row.note != "" {
				note += ": " + row.note
			}
			if f.Process {
				s := acceptance.FaultStep{Fault: acceptance.FaultName{Name: f.Name, Strength: row.strength}, Rolls: row.rolls, Expected: row.expected, Note: note}
				if row.lasts {
					last = append(last, s)
					continue
				}
				all = append(all, s)
			}
			for _, at := range row.points {
				all = append(all, acceptance.FaultStep{Fault: acceptance.FaultName{Name: f.Name, Point: at}, Rolls: 1, Expected: row.expected, Note: note})
			}
		}
	}
	return append(all, last...)
}

// faultTable has the rows of each fault. Two have none: with remove-roll it is a matter of
// milliseconds whether the offer or the missing roll is seen first, so that the roll is
// removed or aborted; what hangs wrong is drawn to a slot by the seed, so that no draft
// knows which rolls to take. A plan may have both.
func faultTable() map[string][]tried {
	wrapped := acceptance.Expected{Verdict: acceptance.Go} // in the end, as if nothing had been
	left := func(v acceptance.Verdict, o handshake.OutcomeKind) acceptance.Expected {
		return acceptance.Expected{Verdict: v, Outcome: o.String()}
	}
	anywhere := []string{"request", "payload", "run", "outcome"}
	table := map[string][]tried{
		"memory-lost": {
			expect(left(acceptance.None, handshake.Lost), "request", "payload"),
			expect(left(acceptance.Go, handshake.Lost), "run"), expect(wrapped, "outcome"),
		},
		"permissive-drop": {expect(wrapped, "payload")},
		"rescan":          {expect(wrapped, "request", "payload")},
		"wrong-echo":      {expect(wrapped, "payload")},
		"stale-scan":      {expect(wrapped, "measure")},
		"lost-commit":     {expect(wrapped, "request")},
		"duplicate-write": {expect(wrapped, "run")},
		"ack-lost":        {expect(wrapped, "outcome")},
		"manual-mode":     {expect(left(acceptance.None, handshake.WrappedByHand), "request")},
		"no-wrapper":      {expect(wrapped, "measure")},
		"roll-gone":       {expect(left(acceptance.Go, handshake.Aborted), "run")},
		"eye-flicker":     {expect(wrapped, "request", "payload", "run")},
		"abort":           {expect(left(acceptance.Go, handshake.Aborted), "run")},
	}
	for _, name := range []string{"link-cut", "black-hole", "late-reply", "controller-restart", "controller-restart-cleared", "torn-block", "heartbeat-frozen", "modbus-exception"} {
		table[name] = []tried{expect(wrapped, anywhere...)}
	}
	processFaults(table)
	return table
}

// processFaults adds the rows of the faults of the process.
func processFaults(table map[string][]tried) {
	noticed := func(codes ...notice.Code) acceptance.Expected {
		e := acceptance.Expected{Verdict: acceptance.Noticed}
		for _, c := range codes {
			e.Codes = append(e.Codes, string(c))
		}
		return e
	}
	blind := acceptance.Expected{Verdict: acceptance.Go, Judged: acceptance.Any}
	table["misshapen-rolls"] = []tried{{rolls: 1, strength: 1, expected: acceptance.Expected{Verdict: acceptance.Either}, note: "a roll that goes is wrapped well"}}
	table["sensor-high"] = []tried{{rolls: 1, strength: 1, expected: blind, note: "the temperature looks right and no record tells of it; the wrap may well be bad"}}
	table["damp"] = []tried{{rolls: 1, strength: 1, expected: blind, note: "nobody measures moisture"}}
	table["dirty-scanner"] = []tried{{rolls: 24, strength: 1, expected: noticed(notice.ScannerPosition, notice.ScannerBlind)}}
	table["low-pressure"] = []tried{{rolls: 24, strength: 1, expected: noticed(notice.PressureLow)}}
	table["worn-feed-roll"] = []tried{{rolls: 24, strength: 1, expected: noticed(notice.FeedCounts, notice.CaliperOff)}}
	table["cold-platen"] = []tried{{rolls: 12, strength: 0.2, expected: noticed(notice.PlatenCold), lasts: true}}
}
