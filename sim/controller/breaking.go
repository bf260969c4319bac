package controller

import "lapgate/sim/registers"

// Here stands how a program breaks a rule, where more than one condition is left
// out. A program that keeps every rule passes through it unchanged.

// epochFits reports whether an epoch may be adopted.
func (c *Controller) epochFits(epoch uint32) bool {
	step, last := uint32(epochStep), uint32(lastEpoch)
	switch {
	case c.cfg.breaks(RuleHelloStepEnd):
		step--
	case c.cfg.breaks(RuleHelloStep):
		step = last
	case c.cfg.breaks(RuleHelloLastEnd):
		last--
	case c.cfg.breaks(RuleHelloLast):
		last++
	}
	return (epoch > c.mem.Floor || c.cfg.breaks(RuleHelloFloor) && epoch == c.mem.Floor) && epoch <= last &&
		(c.mem.Floor == 0 || epoch-c.mem.Floor <= step)
}

// sameSession reports whether a commit is of the session in force.
func (c *Controller) sameSession(m registers.View) bool {
	s := sessionIn(m)
	return (s.Epoch == c.active.Epoch || c.cfg.breaks(RuleCommitEpoch)) && (s.Nonce == c.active.Nonce || c.cfg.breaks(RuleCommitNonce))
}

// breaking is what a program remembers that breaks a rule.
type breaking struct {
	hello    [registers.HelloWords]uint16
	copied   Area
	copiedOf Session
	result   result // as it was shown last

	was, alive, lacked bool  // outputs, heartbeat, and what start needs, in the scan before
	phase              Phase // in the scan before
	resumes, rebooted  bool
}

// helloChanged reports whether the words of HELLO came anew.
func (c *Controller) helloChanged(area *Area) bool {
	changed := area.Hello != c.breaking.hello
	c.breaking.hello = area.Hello
	return changed
}

// commitOfBefore judges what the scan before copied, under the session of then.
func (c *Controller) commitOfBefore(tick uint32, area *Area, in *Inputs) {
	copied, of, now := c.breaking.copied, c.breaking.copiedOf, c.active
	c.breaking.copied, c.breaking.copiedOf = *area, c.active
	c.active = of
	c.commit(tick, &copied, in)
	c.active = now
}

func (c *Controller) spoilResult() {
	switch c.cfg.Broken {
	case RuleResultReq:
		c.mem.Result.Req++
	case RuleResultCRC:
		c.mem.Result.CRC++
	}
}

// shownResult is the result as REQ shows it.
func (c *Controller) shownResult() result {
	shown, now := c.breaking.result, c.mem.Result
	c.breaking.result = now
	switch {
	case shown == now:
	case c.cfg.breaks(RuleOnePublication):
		return shown
	case c.cfg.breaks(RuleVerdictAtOnce):
		now.Verdict = 0
	}
	return now
}

func (c *Config) spoilLimit(l *Limit, f *registers.Field) {
	switch {
	case c.breaks(RuleLimitLeast) && f.Name == "feed_length":
		l.Min--
	case c.breaks(RuleLimitGreatest) && f.Name == "header_dwell":
		l.Max++
	case c.breaks(RuleLimitInside) && f.Name == "tare":
		l.Max--
	case c.breaks(RuleLimitBits) && areBits(f):
		l.Max = 0xFFFF
	}
}

// spoilTold changes a limit as LIMITS tells it.
func (c *Config) spoilTold(l *Limit, f *registers.Field) {
	switch {
	case c.breaks(RuleLimitsWider) && f.Name == "crimp_turns":
		l.Max++
	case c.breaks(RuleLimitsNarrower) && f.Name == "crimp_turns":
		l.Max--
	}
}

// spoilRequest undoes a part of a request that was made from a phase.
func (c *Controller) spoilRequest(from Phase) {
	b := c.cfg.Broken
	switch {
	case b == RuleMeasured && from == PhaseAwait, b == RuleRetry && from == PhaseHeld, b == RuleAutomatic && from == PhaseManual,
		b == RuleEnterRequest && from == PhaseEmpty:
		c.mem.Req--
	case b == RuleRollNo && from == PhaseEmpty:
		c.mem.Roll++
	}
}

func (c *Controller) spoilAnswer(tick uint32) {
	if c.cfg.breaks(RuleGoneSame) {
		c.request(tick)
	}
}

func (c *Controller) spoilPresence() {
	run := c.mem.Phase == PhaseRun
	if c.cfg.breaks(RuleFlicker) && !run || c.cfg.breaks(RuleFlickerRun) && run {
		c.gone = c.away
	}
}

// leftBroken does what a broken rule makes of a roll that is gone.
func (c *Controller) leftBroken(tick uint32) bool {
	phases := map[Rule]Phase{RuleGoneAwait: PhaseAwait, RuleGoneHeld: PhaseHeld, RuleGoneManual: PhaseManual}
	if phase, ok := phases[c.cfg.Broken]; ok && phase == c.mem.Phase {
		c.mem.Phase = PhaseEmpty // and no outcome
		return true
	}
	if c.cfg.breaks(RuleGoneRun) && c.mem.Phase == PhaseRun {
		c.outcome(tick, Aborted, &Used{Start: c.mem.RunStart, End: tick})
		return true
	}
	return false
}

// spoilOutcome changes an entry before it is sealed.
func (c *Controller) spoilOutcome(w registers.View) {
	o := Outcome(w.Get("outcome"))
	switch b := c.cfg.Broken; {
	case b == RuleWrapped && o == Wrapped:
		w.Put("outcome", uint32(ByHand))
	case b == RuleByHand && o == ByHand:
		w.Put("outcome", uint32(Wrapped))
	case b == RuleGoneAnswer && o == Aborted && c.mem.Confirm, b == RuleAbort && o == Aborted && !c.mem.Confirm:
		w.Put("outcome", uint32(Removed))
	case b == RuleOutcomeNone && o == Removed:
		w.Put("offer", 1)
	case b == RuleOutcomeNames && o == Wrapped:
		w.Put("payload_crc", w.Get("payload_crc")+1)
	case b == RuleBootToken && w.Get("offer") != 0:
		w.Put("boot_id", c.mem.Boot)
	case b == RuleRingEntry:
		w.Put("out_idx", w.Get("out_idx")+1)
	case b == RuleRingOverwrite && c.mem.Overwritten > 0:
		c.mem.Overwritten--
	}
}

// spoilOutputs turns the outputs on or off as a broken rule has it.
func (c *Controller) spoilOutputs(in *Inputs, pressed, may bool) {
	b, phase := &c.breaking, c.mem.Phase
	serves := phase == PhaseRun || phase == PhaseManual
	permits, asked := c.cfg.Permissives&^in.Permissives == 0, c.gone || c.mem.Confirm
	lacks := false
	switch c.cfg.Broken {
	case RuleStartAccepted:
		c.on = c.on || phase == PhaseRun && b.phase == PhaseAwait
	case RuleStartPhase:
		c.on = c.on || !serves && (pressed || b.was)
	case RuleStartEdge:
		c.on = c.on || may && in.Start
	case RuleStartPermit:
		lacks = !permits
		c.on = c.on || serves && lacks && (pressed || b.was && b.lacked)
	case RulePermitTakes:
		c.on = c.on || serves && !permits && b.was
	case RulePermitReturns:
		b.resumes = serves && (b.resumes || b.was && !permits)
		c.on = c.on || b.resumes && permits
	case RuleStartRoll:
		lacks = asked
		c.on = c.on || serves && permits && lacks && (pressed || b.was && b.lacked)
	case RuleGoneTakes:
		c.on = c.on || serves && asked && b.was
	case RuleAbortTakes:
		c.on = c.on || b.was && (in.Abort || b.lacked)
		lacks = c.on && phase == PhaseEmpty
	case RuleDoneTakes:
		c.on = c.on || b.was && (in.Done != nil || b.lacked)
		lacks = c.on && phase == PhaseEmpty
	case RuleAnswerStarts:
		c.on = c.on || phase == PhaseRun && in.Confirm == SameRoll
	case RuleManualStarts:
		c.on = c.on || phase == PhaseManual && b.phase != PhaseManual
	case RulePowerStarts:
		c.on = c.on || b.rebooted && phase == PhaseRun
	case RuleLinkStarts:
		c.on = c.on || phase == PhaseRun && c.alive && !b.alive
	case RuleRunGoesOn:
		if phase == PhaseRun && !c.alive && b.alive {
			c.mem.Phase = PhaseEmpty
		}
	}
	b.alive, b.lacked, b.phase = c.alive, lacks, phase
}

// spoilStart undoes a part of what a start does.
func (c *Controller) spoilStart(tick uint32) {
	m := &c.mem
	c.breaking.rebooted = true
	switch c.cfg.Broken {
	case RuleBoot:
		m.Boot--
	case RuleBootSession:
		c.active = m.Result.Session
	case RuleBootFloor:
		m.Floor = 0
	case RuleBootResult:
		m.Result = result{}
	case RuleBootRing:
		clear(m.Ring[:])
	case RuleBootRoll:
		m.Roll++
	case RuleBootAwait:
		if m.Phase == PhaseAwait {
			m.Req--
		}
	case RuleBootHeld:
		if m.Phase == PhaseHeld {
			c.request(tick)
		}
	case RuleBootManual:
		if m.Phase == PhaseManual {
			c.request(tick)
		}
	case RuleBootRun:
		m.Confirm = false
	}
}

// spoilLoss undoes a part of what a start without memory does.
func (c *Controller) spoilLoss() {
	m := &c.mem
	switch c.cfg.Broken {
	case RuleLostPhase:
		m.Phase = PhaseEmpty
	case RuleLostFlag:
		m.MemoryLost = false
	case RuleLostFloor:
		m.Floor = 77
	case RuleLostClock:
		m.Boot = 1
	case RuleLostRoll:
		m.Produced = 0
	case RuleLostConfirm:
		m.Still = false
	case RuleLostAlarm:
		m.ClockWrong = false
	}
}
