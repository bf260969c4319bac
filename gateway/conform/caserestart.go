package conform

import (
	"lapgate/gateway/handshake"
)

func restartCases() []testCase {
	return []testCase{
		{"restart-await", "7", "restart in await: a new request; session, last OFFER and the old HELLO are gone, floor, result and ring stay", false, restartAwait},
		{"restart-held", "7", "restart in held stays held", false, restartHeld},
		{"restart-manual", "7", "restart in manual stays manual", false, restartManual},
		{"restart-empty", "7", "restart at an empty station", false, restartEmpty},
		{"restart-run", "7", "restart in run: the operator is asked; another roll means outcome 4 with the accepted token", true, restartRun},
		{"restart-run-same", "7", "restart in run, the same roll: the outcome names the accepted token", true, restartRunSame},
	}
}

// restart starts the controller's program again, and wants what every restart keeps
// and drops. The HELLO of before still stands in its registers.
func (t *trial) restart() (before, after handshake.Request) {
	before = t.look()
	t.act(actPower)
	r := t.until(t.ActLimit, "another BOOT_ID after a restart", func(r *handshake.Request) bool { return r.Boot != before.Boot })
	t.must(r.Boot == before.Boot+1, "BOOT_ID went from %d to %d, want one more", before.Boot, r.Boot)
	t.must(r.Active == handshake.Session{}, "session %d is in force after a restart, want none", r.Active.Epoch)
	t.must(r.LastOffer == 0, "last OFFER is %d after a restart, want 0", r.LastOffer)
	t.must(!alive(&r), "flag 4 is on after a restart")
	t.must(r.Floor == before.Floor, "the floor went from %d to %d over a restart", before.Floor, r.Floor)
	t.must(r.RollNo == before.RollNo, "ROLL_NO went from %d to %d over a restart", before.RollNo, r.RollNo)
	t.must(r.ResultOffer == before.ResultOffer && r.ResultSession == before.ResultSession && r.ResultVerdict == before.ResultVerdict, "the result did not stay over a restart")
	t.must(r.Produced == before.Produced && r.Acked == before.Acked, "the counters of the ring did not stay over a restart: %d and %d, before %d and %d", r.Produced, r.Acked, before.Produced, before.Acked)
	t.must(r.Flags&handshake.MemoryLost == 0, "flag 1 is on after a restart that kept its memory")
	return before, r
}

// staysAs wants phase and request over a restart.
func (t *trial) staysAs(prepare func()) {
	prepare()
	before, after := t.restart()
	t.must(after.Phase == before.Phase, "phase went from %s to %s over a restart", before.Phase, after.Phase)
	t.must(after.Req == before.Req, "REQ_ID went from %d to %d over a restart in phase %s", before.Req, after.Req, before.Phase)
}

func restartAwait(t *trial) {
	t.await()
	t.gone() // an outcome in the ring
	kept := t.last.Produced
	t.await()
	t.rejectedHold()
	onItsWay := t.hold()
	before, _ := t.restart()
	r := t.phase(handshake.Await, "a restart in await")
	t.must(r.Req == before.Req+1, "REQ_ID went from %d to %d over a restart in await, want one more", before.Req, r.Req)
	t.always(t.settle(), "the HELLO of before the restart is adopted", func(r *handshake.Request) bool { return r.Active == handshake.Session{} })
	t.outcome(kept)
	seen := t.look()
	t.deliver(onItsWay)
	t.unchanged(&seen, "COMMIT of before the restart")
	t.await()
	t.lateCommit(onItsWay, "COMMIT of before the restart")
	t.judged(t.hold(), "a hold for the new request", handshake.HeldVerdict)
}

func restartHeld(t *trial) { t.staysAs(t.held) }

func restartManual(t *trial) { t.staysAs(t.manual) }

func restartEmpty(t *trial) {
	t.staysAs(t.empty)
	before := t.last
	t.act(actPlace)
	r := t.phase(handshake.Await, "a roll after a restart")
	t.must(r.RollNo == before.RollNo+1 && r.Req == before.Req+1, "roll %d, request %d after a restart; before %d, %d", r.RollNo, r.Req, before.RollNo, before.Req)
}

// restartAsks restarts in run, and wants the operator to be asked.
func (t *trial) restartAsks() (offer, handshake.Request) {
	o := t.running()
	before, _ := t.restart()
	r := t.asked("a restart in run")
	t.must(r.Phase == handshake.Run && r.Req == before.Req, "phase %s, request %d after a restart in run with request %d", r.Phase, r.Req, before.Req)
	return o, before
}

func restartRun(t *trial) {
	o, before := t.restartAsks()
	t.act(actOther)
	t.named(&before, handshake.Aborted, o, "the answer that another roll lies there")
}

func restartRunSame(t *trial) {
	o, before := t.restartAsks()
	r := t.sameRoll()
	t.must(r.Phase == handshake.Run, "phase %s after the answer that the same roll lies there, want %s", r.Phase, handshake.Run)
	t.act(actFinish)
	t.named(&before, handshake.Wrapped, o, "a roll wrapped after a restart")
}
