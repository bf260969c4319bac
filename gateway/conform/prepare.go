package conform

import "lapgate/gateway/handshake"

// await has a session in force and a roll that waits for an offer.
func (t *trial) await() {
	t.open()
	for range 8 {
		r := t.look()
		if t.err != nil {
			return
		}
		switch {
		case r.Flags&handshake.AllPermissives == 0:
			t.permissiveOn()
		case r.Flags&handshake.RingFull != 0:
			t.collect()
		case r.Phase == handshake.Await:
			return
		default:
			t.towardsAwait(&r)
		}
	}
	t.fail("phase await could not be brought about; it is %s", t.last.Phase)
}

// towardsAwait does the act that leads on from a phase.
func (t *trial) towardsAwait(r *handshake.Request) {
	switch r.Phase {
	case handshake.Empty:
		t.act(actPlace)
		t.phase(handshake.Await, "a roll that enters")
	case handshake.Held:
		t.act(actRetry)
		t.phase(handshake.Await, "retry in phase held")
	case handshake.ByHand:
		t.act(actAuto)
		t.phase(handshake.Await, "automatic in phase manual with a roll that is not wrapped")
	case handshake.Run:
		t.leaveRun(r)
	case handshake.Fault:
		t.acknowledgeLoss()
	}
}

// leaveRun ends a run without motion.
func (t *trial) leaveRun(r *handshake.Request) {
	if r.Flags&handshake.OperatorMustAck != 0 {
		t.act(actOther)
	} else {
		t.act(actAbort)
	}
	t.phase(handshake.Empty, "the end of the run")
}

// acknowledgeLoss has the operator acknowledge that memory was lost.
func (t *trial) acknowledgeLoss() handshake.Request {
	t.act(actAcknowledge)
	return t.phase(handshake.Empty, "the loss of memory acknowledged")
}

// permissiveOff takes a permissive away.
func (t *trial) permissiveOff() handshake.Request {
	t.act(actPermitOff)
	return t.until(t.ActLimit, "flag 0 off with a permissive off", func(r *handshake.Request) bool { return r.Flags&handshake.AllPermissives == 0 })
}

// permissiveOn gives it back.
func (t *trial) permissiveOn() {
	t.act(actPermitOn)
	t.until(t.ActLimit, "flag 0 on with all permissives on", func(r *handshake.Request) bool { return r.Flags&handshake.AllPermissives != 0 })
}

// asked waits until the operator is asked which roll lies at the station.
func (t *trial) asked(after string) handshake.Request {
	return t.until(t.ActLimit, "flag 6 after "+after, func(r *handshake.Request) bool { return r.Flags&handshake.OperatorMustAck != 0 })
}

// sameRoll has the operator answer that the same roll lies there.
func (t *trial) sameRoll() handshake.Request {
	t.act(actSame)
	return t.until(t.ActLimit, "flag 6 off after the answer", func(r *handshake.Request) bool { return r.Flags&handshake.OperatorMustAck == 0 })
}

// phase waits for a phase.
func (t *trial) phase(want handshake.Phase, after string) handshake.Request {
	return t.until(t.ActLimit, "phase "+want.String()+" after "+after, func(r *handshake.Request) bool { return r.Phase == want })
}

// empty has the station empty and the sensor off.
func (t *trial) empty() {
	t.await()
	t.act(actRemove)
	t.phase(handshake.Empty, "the roll taken away")
}

// held has a roll held by an offer of the proof.
func (t *trial) held() {
	t.await()
	t.judged(t.hold(), "a hold that fits", handshake.HeldVerdict)
}

// manual has a roll in phase manual.
func (t *trial) manual() {
	t.await()
	t.act(actManual)
	t.phase(handshake.ByHand, "manual chosen in phase await")
}

// running has a roll in phase run, under an accepted recipe. It returns the offer.
func (t *trial) running() offer {
	t.await()
	o := t.recipe()
	if t.err == nil {
		t.judged(o, "a recipe inside every limit", handshake.Accepted)
	}
	return o
}

// collect reads the outcomes that the journal of the proof has not, from the newest
// acknowledged on, and acknowledges them.
func (t *trial) collect() {
	r := t.look()
	for n := max(r.Acked, t.journaled) + 1; t.err == nil && n <= r.Produced; n++ {
		t.outcome(n)
	}
	if want := r.Produced; t.err == nil && want != r.Acked {
		t.acknowledge(want)
	}
}

// acknowledge acknowledges the outcomes up to one, and wants that taken.
func (t *trial) acknowledge(n uint32) {
	t.send(handshake.ACK, encoded(&handshake.Ack{Session: t.session, UpTo: n}, handshake.AckWords))
	t.until(t.Reaction, "an ACK that fits taken", func(r *handshake.Request) bool { return r.Acked == n })
}
