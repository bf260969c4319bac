package conform

import "lapgate/gateway/handshake"

func motionCases() []testCase {
	return []testCase{
		{"motion-accepted", "6.4", "an accepted recipe starts nothing; a press of start does", true, motionAccepted},
		{"motion-phase", "6.4", "start does nothing in empty, await and held", false, motionPhase},
		{"motion-held-down", "6.4", "a start button that was already down does not count", true, motionHeldDown},
		{"motion-permissive", "6.4", "a permissive that goes off takes the outputs away, and they come back by start alone", true, motionPermissive},
		{"motion-gone", "6.4", "a roll that is gone takes the outputs away, and the answer does not bring them back", true, motionGone},
		{"motion-abort", "6.4", "an abort takes the outputs away", true, motionAbort},
		{"motion-manual", "6.4", "manual starts nothing; a press of start does, and the end of the roll takes the outputs away", false, motionManual},
		{"motion-link", "6.3", "a link that comes back starts nothing, and a running roll goes on without it", true, motionLink},
		{"motion-restart", "6.4", "a restart in run takes the outputs away, and neither power nor the answer brings them back", true, motionRestart},
		{"closing", "6.5", "the press closes only between the closing temperatures", true, closing},
		{"closing-waited", "6.5", "a press that waited closes on a new press of start alone", true, closingWaited},
	}
}

// outputs wants the outputs on or off.
func (t *trial) outputs(on bool, when string) {
	seen := t.sees(seeOutputs)
	if on {
		t.must(seen, "no output is on %s", when)
		return
	}
	t.must(!seen, "an output is on %s", when)
}

// driven has a roll in run with the outputs on.
func (t *trial) driven() offer {
	o := t.running()
	t.act(actStart)
	t.outputs(true, "after a press of start in phase run with all permissives on")
	return o
}

func motionAccepted(t *trial) {
	t.running()
	t.outputs(false, "after a recipe was accepted")
	t.act(actStart)
	t.outputs(true, "after a press of start in phase run with all permissives on")
	before := t.look()
	t.act(actFinish)
	t.newOutcome(&before, handshake.Wrapped, "a roll wrapped as accepted")
	t.outputs(false, "after the roll was wrapped")
}

func motionPhase(t *trial) {
	t.empty()
	t.act(actStart)
	t.outputs(false, "after a press of start at an empty station")
	t.await()
	t.act(actStart)
	t.outputs(false, "after a press of start in phase await")
	t.held()
	t.act(actStart)
	t.outputs(false, "after a press of start in phase held")
}

func motionHeldDown(t *trial) {
	t.await()
	t.act(actStartDown)
	t.running()
	t.outputs(false, "with a start button that was down before the recipe was accepted")
	t.act(actStartUp)
	t.outputs(false, "when start was let go")
	t.act(actStart)
	t.outputs(true, "after a press of start")
}

func motionPermissive(t *trial) {
	t.driven()
	t.act(actPermitOff)
	t.outputs(false, "with a permissive off")
	t.must(t.look().Phase == handshake.Run, "phase %s after a permissive went off in run, want %s", t.last.Phase, handshake.Run)
	t.act(actStart)
	t.outputs(false, "after a press of start with a permissive off")
	t.act(actPermitOn)
	t.outputs(false, "when the permissive came back")
	t.act(actStart)
	t.outputs(true, "after a new press of start")
}

func motionGone(t *trial) {
	t.driven()
	t.act(actRemove)
	t.asked("a roll was gone in run")
	t.outputs(false, "without a roll")
	t.act(actStart)
	t.outputs(false, "after a press of start without a roll")
	t.act(actPutBack)
	t.outputs(false, "when the roll came back")
	t.act(actSame)
	t.outputs(false, "after the answer that the same roll lies there")
	t.act(actStart)
	t.outputs(true, "after a new press of start")
}

func motionAbort(t *trial) {
	t.driven()
	t.act(actAbort)
	t.phase(handshake.Empty, "an abort")
	t.outputs(false, "after an abort")
	t.act(actStart)
	t.outputs(false, "after a press of start when the roll was aborted")
}

func motionManual(t *trial) {
	t.manual()
	t.outputs(false, "when manual was chosen")
	t.act(actStart)
	t.outputs(true, "after a press of start in phase manual")
	before := t.look()
	t.act(actByHand)
	t.newOutcome(&before, handshake.WrappedByHand, "a roll wrapped by hand")
	t.outputs(false, "after the roll was wrapped by hand")
	t.act(actAuto)
	t.outputs(false, "when automatic was chosen")
}

func motionLink(t *trial) {
	t.driven()
	t.stopBeating()
	t.outputs(true, "while the gateway is silent in phase run")
	t.act(actPermitOff)
	t.act(actPermitOn)
	t.silent = false
	t.until(t.Reaction, "flag 4 when the heartbeat moves again", alive)
	t.outputs(false, "when the gateway came back, without a new press of start")
}

func motionRestart(t *trial) {
	t.driven()
	t.restart()
	t.outputs(false, "after a restart")
	t.act(actStart)
	t.outputs(false, "after a press of start before the operator answered")
	t.act(actSame)
	t.outputs(false, "after the answer that the same roll lies there")
	t.act(actStart)
	t.outputs(true, "after a new press of start")
}

// heated has a roll in run with the outputs on and a heated press.
func (t *trial) heated() { t.heatedPress(t.driven()) }

// closes wants the press told to close or not.
func (t *trial) closes(want bool, when string) {
	seen := t.sees(seeClosing)
	if want {
		t.must(seen, "the press is not told to close %s", when)
		return
	}
	t.must(!seen, "the press is told to close %s", when)
}

func closing(t *trial) {
	t.heated()
	t.act(actPlatensGood)
	t.act(actClose)
	t.closes(true, "with both platens between the closing temperatures")
	t.act(actOpen)
	t.closes(false, "when the line opens it")
	t.act(actPlatensCold)
	t.act(actClose)
	t.closes(false, "with the cooler platen under the least closing temperature")
	t.act(actOpen)
	t.act(actPlatensHot)
	t.act(actClose)
	t.closes(false, "with the hotter platen over the greatest closing temperature")
	t.act(actOpen)
	t.act(actPlatensGood)
}

func closingWaited(t *trial) {
	t.heated()
	t.act(actPlatensCold)
	t.act(actClose)
	t.closes(false, "with the cooler platen under the least closing temperature")
	t.act(actPlatensGood)
	t.closes(false, "when the platens became right, without a new press of start")
	t.act(actStart)
	t.closes(true, "after a new press of start with the platens right")
	t.act(actOpen)
}
