package controller

// line is the line logic: what the machine and the operator did, in a fixed
// order, each against the phase it is legal in.
func (c *Controller) line(tick uint32, in *Inputs) {
	c.manual = in.ManualSelected
	m := &c.mem
	if in.AckMemoryLoss && m.MemoryLost {
		m.MemoryLost, m.Phase = false, Empty
	}
	if m.Confirm {
		switch in.Confirm {
		case SameRoll:
			m.Confirm = false
		case OtherRoll:
			m.Confirm = false
			c.outcome(tick, Aborted, &Used{Start: m.RunStart, End: tick})
		}
	}
	if in.Remove && (m.Phase == Await || m.Phase == Held || m.Phase == Manual) {
		c.outcome(tick, Removed, &Used{Start: tick, End: tick})
	}
	if in.Done != nil {
		switch {
		case m.Phase == Run && !m.Confirm:
			c.outcome(tick, Wrapped, in.Done)
		case m.Phase == Manual:
			c.outcome(tick, ByHand, in.Done)
		}
	}
	switch {
	case m.Phase == Await && in.Measured != nil,
		m.Phase == Held && in.Retry,
		m.Phase == Manual && in.Automatic && !in.ManualSelected:
		if in.Measured != nil {
			m.Roll1 = *in.Measured
		}
		c.request(tick)
	}
	// In manual the line goes on with a full ring and the oldest entry is
	// counted as lost; in automatic the next roll waits outside.
	if in.Enter != nil && m.Phase == Empty && (!c.full() || in.ManualSelected) {
		m.Roll++
		m.Roll1 = *in.Enter
		c.note(Event{Kind: EventEntered, Roll: m.Roll, Tick: tick})
		c.request(tick)
	}
	if in.ManualSelected && (m.Phase == Await || m.Phase == Held) {
		m.Phase = Manual
	}
}

func (c *Controller) request(tick uint32) {
	c.mem.Req++
	c.mem.Phase = Await
	c.note(Event{Kind: EventRequested, Roll: c.mem.Roll, Req: c.mem.Req, Tick: tick})
}

// outcome writes the entry of the roll at the station into the ring and
// empties the station.
func (c *Controller) outcome(tick uint32, o Outcome, u *Used) {
	m := &c.mem
	if c.full() {
		m.Overwritten++
	}
	m.Produced++
	i := int(m.Produced % ringLen)
	w := &m.Ring[i]
	*w = OutWords{0: typeOUT, 1: layoutVersion}
	s := w[:]
	putLong(s, 2, m.Produced)
	putLong(s, 4, m.Roll)
	putLong(s, 6, m.Boot)
	putLong(s, 8, m.Req)
	e := Event{Kind: EventOutcome, Roll: m.Roll, Req: m.Req, Outcome: o, Index: m.Produced, Tick: tick}
	if o == Wrapped || o == Aborted {
		e.Session, e.Offer = sessionAt(m.Payload[:], 2), m.Payload[12]
		putSession(s, 10, e.Session)
		s[14] = e.Offer
		putLong(s, 17, long(m.Payload[:], payloadLen-2))
	}
	s[15] = uint16(o)
	s[19] = u.Slot
	putLong(s, 20, u.FeedLength)
	s[22], s[23], s[24], s[25], s[26], s[27] = u.Layers, u.CrimpTime, u.Temperature, u.Dwell, u.OuterHead, u.Overlap
	putLong(s, 28, u.Scale)
	putLong(s, 30, u.Encoder)
	putLong(s, 32, u.Start)
	putLong(s, 34, u.End)
	seal(s)
	m.Phase = Empty
	m.Confirm = false
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
	set(m.Phase != Empty && m.Phase != Fault && m.Roll1.Valid, FlagValid)
	set(m.MemoryLost || m.Confirm, FlagOperator)
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
	c.prev = c.req
	c.gen++
	w := ReqWords{0: typeREQ, 1: layoutVersion, 2: c.gen}
	s := w[:]
	putLong(s, 3, m.Boot)
	putLong(s, 5, tick)
	putSession(s, 7, c.active)
	putLong(s, 11, m.Floor)
	s[13] = c.lastOffer
	s[14] = uint16(m.Phase)
	s[15] = now.flags
	putLong(s, 16, in.Permissives)
	putLong(s, 18, m.Roll)
	putLong(s, 20, m.Req)
	r := &m.Roll1
	if m.Phase == Empty || m.Phase == Fault {
		r = &Measurement{Tick: tick}
	}
	putTag(s, 22, r.Tag)
	putLong(s, 30, r.Diameter)
	putLong(s, 32, r.Width)
	putLong(s, 34, r.Weight)
	s[36], s[37], s[38] = r.Grade, r.Core, r.Quality
	s[39] = uint16(min(tick-r.Tick, 0xFFFF))
	if r.AgeUnknown {
		s[39] = 0xFFFF
	}
	putLong(s, 40, m.Result.Req)
	putSession(s, 42, m.Result.Session)
	s[46], s[47], s[48] = m.Result.Offer, uint16(m.Result.Verdict), m.Result.Reason
	putLong(s, 49, m.Result.CRC)
	putLong(s, 51, m.Produced)
	putLong(s, 53, m.Acked)
	putLong(s, 55, m.Stale)
	putLong(s, 57, m.Overwritten)
	s[59], s[60] = in.Mode, in.State
	s[61], s[62] = r.DiameterN, r.WidthN
	copy(s[63:75], r.Diameters[:])
	copy(s[75:83], r.Widths[:])
	s[83] = in.SlotsReady
	copy(s[84:90], in.SlotOuter[:])
	s[90], s[91] = in.SlotConfirmed, in.Platen
	s[93] = c.gen
	seal(s)
	c.req = w
}
