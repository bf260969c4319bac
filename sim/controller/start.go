package controller

import "lapgate/sim/registers"

// builtYear is the second since the start of 2020 at which the year began in which
// the program was built, 2026. A clock that says less was never set.
const builtYear = (6*365 + 2) * 24 * 3600

// firstScan is what comes before the rest of the first scan, spread over as many
// scans as configured: it reports whether it is finished. Until then nothing is
// judged or published and no output is on.
func (c *Controller) firstScan(tick uint32, area *Area, in *Inputs) bool {
	// The check of the ring is what takes long; each scan has its share.
	share := (registers.RingEntries + c.cfg.FirstScans - 1) / c.cfg.FirstScans
	done := (c.cfg.FirstScans - c.starting) * share
	for i := done; i < min(done+share, registers.RingEntries); i++ {
		c.outDirty = append(c.outDirty, i)
	}
	if c.starting--; c.starting > 0 {
		return false
	}
	c.startDown = in.Start // a button that was already down is no press
	c.lastCommit = area.Commit
	c.pubTick = tick - ticks(c.cfg.Publish)
	if !c.memoryGood {
		c.startWithoutMemory(tick, area, in)
		return true
	}
	c.mem.Boot++
	if c.mem.ClockWrong {
		c.bootByClock()
	}
	c.note(Event{Kind: EventBoot, Tick: tick})
	if c.mem.Phase != PhaseEmpty {
		c.mem.Roll1.AgeUnknown = true
	}
	switch c.mem.Phase {
	case PhaseAwait:
		if in.Measured == nil {
			c.request(tick)
		}
	case PhaseRun:
		c.askOperator(tick)
	}
	c.spoilStart(tick)
	return true
}

// startWithoutMemory begins anew where the retained memory fails its check.
func (c *Controller) startWithoutMemory(tick uint32, area *Area, in *Inputs) {
	c.mem = retained{MemoryLost: true, Phase: PhaseFault}
	c.bootByClock()
	c.lostWith, c.lastCommit = *area, [registers.CommitWords]uint16{}
	for i := range c.notWritten {
		c.notWritten[i] = true
	}
	c.outDirty = c.outDirty[:0]
	for i := range c.mem.Ring {
		c.outDirty = append(c.outDirty, i)
	}
	c.note(Event{Kind: EventMemoryLost, Tick: tick})
	if in.RollPresent {
		c.mem.Roll++
		c.outcome(tick, Lost, &Used{Start: tick, End: tick})
		c.mem.Phase = PhaseFault
	}
	c.spoilLoss()
}

// bootByClock numbers a start by the clock. One that is not set would repeat a
// number of before, which is an alarm.
func (c *Controller) bootByClock() {
	c.mem.Boot, c.mem.ClockWrong = max(c.clock, 1), c.clock < builtYear
}

// askOperator wants to hear whether the roll in run is still the same.
func (c *Controller) askOperator(tick uint32) {
	if !c.mem.Confirm {
		c.mem.Confirm = true
		c.note(Event{Kind: EventConfirmWanted, Roll: c.mem.Roll, Tick: tick})
	}
}

// gatewayOwned is how many blocks the gateway writes.
const gatewayOwned = 5

// fresh is the gateway's area without the blocks that were not written since memory
// was found lost: the session that they name is one of before.
func (c *Controller) fresh(area *Area) Area {
	a := *area
	for i, b := range gatewayBlocks() {
		if !c.notWritten[i] {
			continue
		}
		words, before := a.block(b), c.lostWith.block(b)
		for k := range words {
			c.notWritten[i] = c.notWritten[i] && words[k] == before[k]
		}
		if c.notWritten[i] {
			clear(words)
		}
	}
	return a
}
