package conform

import (
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

func memoryCases() []testCase {
	return []testCase{
		{"memory-lost", "7", "memory lost: what is cleared, outcome 5, and no session before the operator acknowledges", false, memoryLost},
		{"memory-clock", "7", "memory lost with a clock that is not set: an alarm, and no session", false, memoryClock},
		{"hello-last-epoch", "6.2", "over floor 0 an epoch of 4,000,000,000 is adopted, and one above it refused", false, helloLastEpoch},
	}
}

// builtYear is the second since the start of 2020 at which 2026 began, before which
// no program of this layout was built.
const builtYear = (6*365 + 2) * 24 * 3600

// loseMemory clears the controller's memory, and waits until it says so.
func (t *trial) loseMemory() handshake.Request {
	before := t.look()
	t.collectAll()
	t.act(actLoseMemory)
	t.memoryLost, t.journaled = true, 0
	r := t.until(t.ActLimit, "flag 1 after the memory was cleared", func(r *handshake.Request) bool {
		return r.Flags&handshake.MemoryLost != 0 && (r.Boot != before.Boot || before.Flags&handshake.MemoryLost == 0)
	})
	if t.err == nil {
		t.err = t.out.Journal(t.ctx, record.Gap{Boot: r.Boot, Cause: "the memory of the controller was cleared for the proof"})
	}
	return r
}

// collectAll has every outcome in the journal before the memory is cleared.
func (t *trial) collectAll() {
	if r := t.look(); r.Produced != r.Acked {
		t.open()
		t.collect()
	}
}

func memoryLost(t *trial) {
	t.await()
	before := t.look()
	r := t.loseMemory()
	t.must(r.Flags&handshake.OperatorMustAck != 0, "flag 6 is off after memory was lost")
	t.must(r.Phase == handshake.Fault, "phase %s after memory was lost, want %s", r.Phase, handshake.Fault)
	t.must(r.Floor == 0, "the floor is %d after memory was lost, want 0", r.Floor)
	t.must(r.Active == handshake.Session{} && r.LastOffer == 0, "a session is in force after memory was lost")
	t.must(r.Boot >= builtYear && r.Boot != before.Boot, "BOOT_ID is %d after memory was lost, want the seconds since 2020", r.Boot)
	t.must(r.ResultOffer == 0 && r.ResultVerdict == handshake.NoVerdict, "the result is not empty after memory was lost")
	t.must(r.RollNo == 1 && r.Req == 0, "roll %d, request %d after memory was lost with a roll at the station, want 1 and 0", r.RollNo, r.Req)
	t.must(r.Produced == 1 && r.Acked == 0, "%d outcomes, %d acknowledged after memory was lost with a roll at the station, want 1 and 0", r.Produced, r.Acked)
	o := t.outcome(1)
	t.must(o.Outcome == handshake.Lost && o.RollNo == 1, "outcome %s of roll %d, want %s of roll 1", o.Outcome, o.RollNo, handshake.Lost)
	t.refusedHello(t.hello(t.stranger(1)), "HELLO before the operator acknowledged the loss of memory")
	r = t.acknowledgeLoss()
	t.must(r.Flags&(handshake.MemoryLost|handshake.OperatorMustAck) == 0, "flags %02X after the loss of memory was acknowledged", uint16(r.Flags))
	t.act(actEnterAgain)
	t.always(t.settle(), "the roll enters before the operator confirmed it", func(r *handshake.Request) bool { return r.Phase == handshake.Empty })
	r = t.confirmed()
	t.must(r.RollNo == 2 && r.Req == 1, "roll %d, request %d after memory was lost, want 2 and 1", r.RollNo, r.Req)
	t.await()
	t.judged(t.hold(), "a hold after memory was lost", handshake.HeldVerdict)
}

func memoryClock(t *trial) {
	t.await()
	t.act(actClockZero)
	r := t.loseMemory()
	t.must(t.sees(seeAlarm), "there is no alarm although the clock is not set")
	t.act(actAcknowledge)
	t.refusedHello(t.hello(t.stranger(1)), "HELLO while the clock is not set")
	t.act(actClockRight)
	t.act(actPower)
	t.until(t.ActLimit, "BOOT_ID of a clock that is set", func(now *handshake.Request) bool { return now.Boot >= builtYear && now.Boot != r.Boot })
	t.acknowledgeLoss()
	t.open()
}

// helloLastEpoch leaves the controller as after a loss of memory.
func helloLastEpoch(t *trial) {
	t.loseMemory()
	t.acknowledgeLoss()
	t.refusedHello(t.hello(t.stranger(lastEpoch+1)), "HELLO with an epoch of 4,000,000,001 over floor 0")
	t.adopt(lastEpoch)
	t.loseMemory()
	t.must(t.last.Floor == 0, "the floor is %d after memory was lost", t.last.Floor)
	t.acknowledgeLoss()
	t.open()
}
