package controller

import "lapgate/sim/registers"

// line is the line logic: what the machine and the operator did, in a fixed
// order, each against the phase it is legal in.
func (c *Controller) line(tick uint32, in *Inputs) {
	c.manual = in.ManualSelected
	m := &c.mem
	if in.AckMemoryLoss && m.MemoryLost && !m.ClockWrong {
		m.MemoryLost, m.Phase = false, PhaseEmpty
	}
	c.cleared = c.cleared || in.ClearMemory && !c.on && m.Phase != PhaseRun
	c.answered(tick, in)
	if in.Abort && m.Phase == PhaseRun {
		c.outcome(tick, Aborted, &Used{Start: m.RunStart, End: tick})
		m.Still = !c.cfg.breaks(RuleAbortRest)
	}
	if in.Done != nil {
		switch {
		case m.Phase == PhaseRun && !m.Confirm:
			c.outcome(tick, Wrapped, in.Done)
		case m.Phase == PhaseManual:
			c.outcome(tick, ByHand, in.Done)
		}
	}
	if c.gone {
		c.left(tick)
	}
	switch {
	case m.Phase == PhaseAwait && in.Measured != nil,
		m.Phase == PhaseHeld && in.Retry && !(c.cfg.breaks(RuleRequestAnyhow) && c.cfg.Permissives&^in.Permissives != 0),
		m.Phase == PhaseManual && !in.ManualSelected && !m.ByHand && in.RollPresent:
		if in.Measured != nil {
			m.Roll1 = *in.Measured
		}
		from := m.Phase
		c.request(tick)
		c.spoilRequest(from)
	}
	// In manual the line goes on with a full ring and the oldest entry is
	// counted as lost; in automatic the next roll waits outside.
	if in.Enter != nil && c.Clear() && in.RollPresent && (!c.full() || in.ManualSelected || c.cfg.breaks(RuleRingWaits)) {
		m.Roll++
		m.Roll1 = *in.Enter
		c.note(Event{Kind: EventEntered, Roll: m.Roll, Tick: tick})
		c.request(tick)
		c.spoilRequest(PhaseEmpty)
	}
	if in.ManualSelected && (m.Phase == PhaseAwait && !c.cfg.breaks(RuleManual) || m.Phase == PhaseHeld && !c.cfg.breaks(RuleManualHeld)) {
		m.Phase = PhaseManual
	}
}

// answered takes the operator's answer about the roll that lies at the station.
func (c *Controller) answered(tick uint32, in *Inputs) {
	m := &c.mem
	switch {
	case m.Confirm && in.Confirm == SameRoll && in.RollPresent:
		m.Confirm = false
		c.spoilAnswer(tick)
	case m.Confirm && in.Confirm == OtherRoll:
		c.outcome(tick, Aborted, &Used{Start: m.RunStart, End: tick})
		m.Still = false
	case m.Phase == PhaseEmpty && in.Confirm == OtherRoll && !c.cfg.breaks(RuleAbortConfirm):
		m.Still = false
	}
}

// left is what a roll that is gone means in each phase.
func (c *Controller) left(tick uint32) {
	if c.leftBroken(tick) {
		return
	}
	switch c.mem.Phase {
	case PhaseAwait, PhaseHeld, PhaseManual:
		c.outcome(tick, Removed, &Used{Start: tick, End: tick})
	case PhaseRun:
		c.askOperator(tick)
	}
}

func (c *Controller) request(tick uint32) {
	c.mem.Req++
	c.mem.Phase, c.mem.ByHand = PhaseAwait, false
	c.note(Event{Kind: EventRequested, Roll: c.mem.Roll, Req: c.mem.Req, Tick: tick})
}

// outcome writes the entry of the roll at the station into the ring and
// empties the station. Until the sensor has seen the roll leave, no other enters.
func (c *Controller) outcome(tick uint32, o Outcome, u *Used) {
	m := &c.mem
	if c.full() {
		m.Overwritten++
	}
	m.Produced++
	i := int(m.Produced % registers.RingEntries)
	m.Ring[i] = OutWords{}
	w := registers.In(registers.Outcome, m.Ring[i][:])
	w.Begin()
	w.Put("out_idx", m.Produced)
	w.Put("roll_no", m.Roll)
	w.Put("boot_id", m.Boot)
	w.Put("req_id", m.Req)
	e := Event{Kind: EventOutcome, Roll: m.Roll, Req: m.Req, Outcome: o, Index: m.Produced, Under: m.Boot, Tick: tick}
	if o == Wrapped || o == Aborted {
		p := registers.In(registers.Payload, m.Payload[:])
		e.Session, e.Offer = sessionIn(p), uint16(p.Get("offer"))
		// The start and the request under which the recipe was accepted, also
		// after a restart in between.
		e.Under = p.Get("boot_id")
		w.Put("boot_id", e.Under)
		w.Put("req_id", p.Get("req_id"))
		w.Put("epoch", e.Session.Epoch)
		w.Put("nonce", e.Session.Nonce)
		w.Put("offer", uint32(e.Offer))
		w.Put("payload_crc", p.Sum())
	}
	w.Put("outcome", uint32(o))
	u.put(w)
	c.spoilOutcome(w)
	w.Seal()
	m.Phase = PhaseEmpty
	m.Confirm, m.ByHand, m.Still, c.on = false, false, true, false
	c.outDirty = append(c.outDirty, i)
	c.note(e)
}

func (c *Controller) flags(in *Inputs) (f uint16) {
	set := func(on bool, bit uint16) {
		if on {
			f |= bit
		}
	}
	m := &c.mem
	set(c.cfg.Permissives&^in.Permissives == 0, FlagPermissives)
	set(m.MemoryLost, FlagMemoryLost)
	set(c.manual, FlagManual)
	set(c.full(), FlagRingFull)
	set(c.alive, FlagAlive)
	set(m.Phase != PhaseEmpty && m.Phase != PhaseFault && m.Roll1.Valid, FlagValid)
	set(m.MemoryLost || m.Confirm, FlagOperator)
	set(c.cfg.ShowLimits, FlagLimits)
	set(c.cfg.breaks(RuleFreeFlags), FlagLimits<<1)
	return f
}

// publish builds the request block when something in it must be seen at once
// or the last publication is old.
func (c *Controller) publish(tick uint32, in *Inputs) {
	m := &c.mem
	now := pubState{m.Phase, m.Req, m.Result, c.active, c.lastOffer, c.flags(in), in.Permissives, m.Produced, m.Acked}
	if now == c.pubState && tick-c.pubTick < ticks(c.cfg.Publish) {
		return
	}
	c.pubState, c.pubTick, c.published = now, tick, true
	c.gen++
	c.req = ReqWords{}
	w := registers.In(registers.Request, c.req[:])
	w.Begin()
	w.Put("gen_head", uint32(c.gen))
	w.Put("tick", tick)
	c.putState(w, &now)
	r := &m.Roll1
	if m.Phase == PhaseEmpty || m.Phase == PhaseFault {
		r = &Measurement{Tick: tick}
	}
	r.put(w, tick)
	in.put(w)
	w.Put("gen_tail", uint32(c.gen))
	w.Seal()
}

// putState writes what the program knows of the handshake.
func (c *Controller) putState(w registers.View, now *pubState) {
	m, res := &c.mem, c.shownResult()
	w.Put("boot_id", m.Boot)
	w.Put("active_epoch", c.active.Epoch)
	w.Put("active_nonce", c.active.Nonce)
	w.Put("epoch_floor", m.Floor)
	w.Put("last_offer", uint32(c.lastOffer))
	w.Put("phase", uint32(m.Phase))
	w.Put("flags", uint32(now.flags))
	w.Put("roll_no", m.Roll)
	w.Put("req_id", m.Req)
	w.Put("result_req_id", res.Req)
	w.Put("result_epoch", res.Session.Epoch)
	w.Put("result_nonce", res.Session.Nonce)
	w.Put("result_offer", uint32(res.Offer))
	w.Put("result_verdict", uint32(res.Verdict))
	w.Put("result_reason", uint32(res.Reason))
	w.Put("result_payload_crc", res.CRC)
	w.Put("outcomes_produced", m.Produced)
	w.Put("outcomes_acknowledged", m.Acked)
	w.Put("stale_commits", m.Stale)
	w.Put("outcomes_overwritten", m.Overwritten)
}

// put writes the measurement into a request block published at a tick.
func (r *Measurement) put(w registers.View, tick uint32) {
	w.PutLetters("roll_tag", r.Tag)
	w.Put("diameter", r.Diameter)
	w.Put("width", r.Width)
	w.Put("weight", r.Weight)
	w.Put("grade", uint32(r.Grade))
	w.Put("core", uint32(r.Core))
	w.Put("scan_quality", uint32(r.Quality))
	age := min(tick-r.Tick, 0xFFFF)
	if r.AgeUnknown {
		age = 0xFFFF
	}
	w.Put("scan_age", age)
	w.Put("diameter_samples_given", uint32(r.DiameterN))
	w.Put("width_samples_given", uint32(r.WidthN))
	w.PutAll("diameter_samples", r.Diameters[:])
	w.PutAll("width_samples", r.Widths[:])
}

// put writes what the machine shows into a request block.
func (in *Inputs) put(w registers.View) {
	w.Put("permissives", in.Permissives)
	w.Put("unit_mode", uint32(in.Mode))
	w.Put("unit_state", uint32(in.State))
	w.Put("slots_ready", uint32(in.SlotsReady))
	w.PutAll("slot_outer_diameter", in.SlotOuter[:])
	w.Put("slot_confirmed", uint32(in.SlotConfirmed))
	w.Put("platen_temperature", uint32(in.Platen))
	w.Put("platen_hot_temperature", uint32(in.PlatenHot))
}

// put writes the figures of a finished roll into its outcome.
func (u *Used) put(w registers.View) {
	w.Put("used_slot", uint32(u.Slot))
	w.Put("used_feed_length", u.FeedLength)
	w.Put("used_layers", uint32(u.Layers))
	w.Put("used_crimp_time", uint32(u.CrimpTime))
	w.Put("used_header_temperature", uint32(u.Temperature))
	w.Put("used_header_dwell", uint32(u.Dwell))
	w.Put("used_outer_head", uint32(u.OuterHead))
	w.Put("used_overlap", uint32(u.Overlap))
	w.Put("scale_reading", u.Scale)
	w.Put("wrapper_used", u.Encoder)
	w.Put("tick_start", u.Start)
	w.Put("tick_end", u.End)
	w.Put("measured_overhang", uint32(u.Hangs))
	w.Put("press_pressure", uint32(u.Pressure))
}
