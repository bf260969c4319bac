package conform

import (
	"time"

	"lapgate/gateway/handshake"
)

func rollCases() []testCase {
	return []testCase{
		{"roll-enters", "6.2", "a roll that enters has the next ROLL_NO and a request of its own", false, rollEnters},
		{"measured-again", "6.2", "a roll measured again has a new request, and a commit on its way is refused", false, measuredAgain},
		{"presence-flicker", "6.2", "presence off for less than GONE_TIME is nothing, in await, held and manual", false, presenceFlicker},
		{"presence-await", "6.2", "roll gone in await: outcome 3, and a commit on its way is refused", false, presenceAwait},
		{"presence-held", "6.2", "roll gone in held: outcome 3", false, presenceHeld},
		{"presence-manual", "6.2", "roll gone in manual: outcome 3", false, presenceManual},
		{"presence-run-flicker", "6.2", "presence off for less than GONE_TIME in run is nothing", true, presenceRunFlicker},
		{"presence-run", "6.2", "roll gone in run: the operator is asked; gone means outcome 4", true, presenceRun},
		{"presence-run-same", "6.2", "roll gone in run: the operator is asked; the same roll means run goes on", true, presenceRunSame},
		{"abort", "6.2", "abort in run: outcome 4, and no request while the roll lies there", true, aborted},
		{"abort-confirmed", "6.2", "after an abort a roll that the operator confirms enters as a new one", true, abortConfirmed},
		{"retry", "6.2", "retry in held makes a new request", false, retried},
		{"manual", "6.2", "manual kills the request, and automatic raises a new one", false, manualAndBack},
		{"manual-held", "6.2", "manual in held", false, manualFromHeld},
		{"manual-done", "6.2", "wrapped by hand: outcome 2", false, manualDone},
		{"wrapped", "6.2", "wrapped: outcome 1 names the accepted recipe", true, wrapped},
	}
}

func rollEnters(t *trial) {
	t.empty()
	before := t.look()
	t.must(before.Flags&handshake.DimensionsValid == 0 && before.Quality == 0, "an empty station has dimensions (flag 5, quality %d)", before.Quality)
	t.act(actPlace)
	r := t.until(t.ActLimit, "phase await after a roll entered", func(r *handshake.Request) bool { return r.Phase != handshake.Empty })
	t.must(r.Phase == handshake.Await, "phase %s after a roll entered, want %s", r.Phase, handshake.Await)
	t.must(r.RollNo == before.RollNo+1, "ROLL_NO went from %d to %d, want one more", before.RollNo, r.RollNo)
	t.must(r.Req == before.Req+1, "REQ_ID went from %d to %d, want one more", before.Req, r.Req)
}

// again wants a new request for the same roll.
func (t *trial) again(before *handshake.Request, what string) {
	r := t.until(t.ActLimit, "a new request after "+what, func(r *handshake.Request) bool { return r.Req != before.Req && r.Phase == handshake.Await })
	t.must(r.Req == before.Req+1, "REQ_ID went from %d to %d after %s, want one more", before.Req, r.Req, what)
	t.must(r.RollNo == before.RollNo, "ROLL_NO went from %d to %d after %s, want the same", before.RollNo, r.RollNo, what)
}

// lateCommit lets an offer land that was made before, and wants it refused.
func (t *trial) lateCommit(o offer, what string) {
	before := t.look()
	t.deliver(o.committing("tick", int64(before.Tick)))
	t.uncommitted(&before, what)
}

func measuredAgain(t *trial) {
	t.await()
	onItsWay := t.hold()
	before := t.look()
	t.act(actMeasure)
	t.again(&before, "a new measurement")
	t.lateCommit(onItsWay, "COMMIT for the measurement before")
	t.judged(t.hold(), "a hold for the new measurement", handshake.HeldVerdict)
}

func presenceFlicker(t *trial) {
	for _, prepare := range []func(){t.await, t.held, t.manual} {
		prepare()
		before := t.look()
		t.act(actFlicker)
		t.unchanged(&before, "presence off for less than GONE_TIME in phase "+before.Phase.String())
	}
}

// gone takes the roll away and wants it removed.
func (t *trial) gone() {
	before := t.look()
	t.act(actRemove)
	what := "a roll taken away in phase " + before.Phase.String()
	t.unnamed(&before, handshake.Removed, what)
}

func presenceAwait(t *trial) {
	t.await()
	onItsWay := t.hold()
	t.gone()
	t.lateCommit(onItsWay, "COMMIT for a roll that left")
	left := t.last
	t.act(actPlace)
	t.phase(handshake.Await, "the next roll")
	t.must(t.last.RollNo == left.RollNo+1, "the next roll has ROLL_NO %d after %d", t.last.RollNo, left.RollNo)
	t.lateCommit(onItsWay, "COMMIT for the roll before")
}

func presenceHeld(t *trial) {
	t.held()
	t.gone()
}

func presenceManual(t *trial) {
	t.manual()
	t.gone()
	t.act(actAuto)
}

func presenceRunFlicker(t *trial) {
	t.running()
	before := t.look()
	t.act(actFlicker)
	t.unchanged(&before, "presence off for less than GONE_TIME in phase run")
	t.must(t.last.Flags&handshake.OperatorMustAck == 0, "the operator is asked although the roll was not gone")
}

// goneInRun takes the roll away in run, and wants the operator to be asked.
func (t *trial) goneInRun() (offer, handshake.Request) {
	o := t.running()
	before := t.look()
	t.act(actRemove)
	r := t.asked("a roll was gone in run")
	t.must(r.Phase == handshake.Run && r.Produced == before.Produced, "phase %s and %d new outcomes after a roll was gone in run, before the operator answered", r.Phase, r.Produced-before.Produced)
	return o, before
}

func presenceRun(t *trial) {
	o, before := t.goneInRun()
	t.act(actOther)
	t.named(&before, handshake.Aborted, o, "the answer that the roll is gone")
}

func presenceRunSame(t *trial) {
	_, before := t.goneInRun()
	// The same roll is laid back; another scan makes no request of it.
	t.act(actPutBack)
	r := t.sameRoll()
	t.must(r.Phase == handshake.Run && r.RollNo == before.RollNo && r.Req == before.Req && r.Produced == before.Produced,
		"after the answer that the same roll lies there: phase %s, roll %d, request %d; before: run, %d, %d", r.Phase, r.RollNo, r.Req, before.RollNo, before.Req)
}

func aborted(t *trial) {
	o := t.running()
	before := t.look()
	t.act(actAbort)
	t.named(&before, handshake.Aborted, o, "an abort")
	left := t.look()
	t.act(actEnterAgain)
	t.unchanged(&left, "a roll that lies there after an abort")
	t.act(actPlace)
	r := t.phase(handshake.Await, "the next roll, when the sensor was off in between")
	t.must(r.RollNo == left.RollNo+1, "ROLL_NO went from %d to %d", left.RollNo, r.RollNo)
}

func abortConfirmed(t *trial) {
	t.running()
	t.act(actAbort)
	left := t.phase(handshake.Empty, "an abort")
	r := t.confirmed()
	t.must(r.RollNo == left.RollNo+1, "ROLL_NO went from %d to %d", left.RollNo, r.RollNo)
}

// confirmed has the operator confirm the roll that lies there as another one. It
// enters by that, or when the line reports it.
func (t *trial) confirmed() handshake.Request {
	t.act(actOther)
	for began := time.Now(); t.ok() && time.Since(began) < t.settle(); t.pause() {
		if r := t.look(); r.Phase == handshake.Await {
			return r
		}
	}
	t.act(actEnterAgain)
	return t.phase(handshake.Await, "a roll that the operator confirmed")
}

func retried(t *trial) {
	t.held()
	before := t.look()
	t.act(actRetry)
	t.again(&before, "retry")
	t.judged(t.hold(), "a hold for the new request", handshake.HeldVerdict)
}

func manualAndBack(t *trial) {
	t.await()
	onItsWay := t.hold()
	t.manual()
	before := t.look()
	t.must(before.Flags&handshake.ManualSelected != 0, "flag 2 is off in manual")
	t.lateCommit(onItsWay, "COMMIT in phase manual")
	t.act(actAuto)
	t.again(&before, "automatic")
	t.lateCommit(onItsWay, "COMMIT for the request before manual")
}

func manualFromHeld(t *trial) {
	t.held()
	before := t.look()
	t.act(actManual)
	r := t.phase(handshake.ByHand, "manual chosen in phase held")
	t.must(r.Req == before.Req, "manual raised a request")
	t.act(actAuto)
	t.again(&before, "automatic")
}

func manualDone(t *trial) {
	t.manual()
	before := t.look()
	t.act(actByHand)
	t.unnamed(&before, handshake.WrappedByHand, "a roll wrapped by hand")
	t.act(actAuto)
}

func wrapped(t *trial) {
	o := t.running()
	before := t.look()
	t.act(actFinish)
	t.named(&before, handshake.Wrapped, o, "a roll wrapped as accepted")
}
