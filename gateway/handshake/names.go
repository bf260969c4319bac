package handshake

import "strconv"

// String returns the name of the block as the handshake writes it.
func (id ID) String() string { return nameOf("block", int(id), blockNames[:]) }

// String returns the phase in one word.
func (p Phase) String() string { return nameOf("phase", int(p), phaseNames[:]) }

// String returns the verdict in one word.
func (v Verdict) String() string { return nameOf("verdict", int(v), verdictNames[:]) }

// String returns the outcome in a few words.
func (o OutcomeKind) String() string { return nameOf("outcome", int(o), outcomeNames[:]) }

// String returns the reason in a few words.
func (h HoldReason) String() string { return nameOf("reason", int(h), holdNames[:]) }

// StateName returns the name of a unit state of ISA-TR88.00.02, numbers 1 to
// 17.
func StateName(n uint16) string { return nameOf("state", int(n), stateNames[:]) }

// ModeName returns the name of a unit mode of ISA-TR88.00.02, numbers 0 to 3.
func ModeName(n uint16) string { return nameOf("mode", int(n), modeNames[:]) }

// nameOf writes numbers without a name as such, so that nothing unknown is
// hidden.
func nameOf(what string, n int, names []string) string {
	if n < len(names) && names[n] != "" {
		return names[n]
	}
	return what + " " + strconv.Itoa(n)
}

var (
	blockNames   = [...]string{"REQ", "OUT", "HEARTBEAT", "HELLO", "PAYLOAD", "COMMIT", "ACK"}
	phaseNames   = [...]string{"empty", "await", "run", "held", "manual", "fault"}
	verdictNames = [...]string{"none", "accepted", "rejected", "held"}
	outcomeNames = [...]string{"none", "wrapped", "wrapped by hand", "removed", "aborted", "unknown after memory loss"}
	holdNames    = [...]string{
		"none", "no recipe for this roll", "dimension outside limits", "dimension not plausible",
		"measurement old or of poor quality", "interlocked limit", "permissive off", "supply",
		"operator", "journal fault", "configuration fault", "order data missing",
	}
	stateNames = [...]string{
		"", "Clearing", "Stopped", "Starting", "Idle", "Suspended", "Execute", "Stopping", "Aborting",
		"Aborted", "Holding", "Held", "Unholding", "Suspending", "Unsuspending", "Resetting",
		"Completing", "Complete",
	}
	modeNames = [...]string{"Invalid", "Produce", "Maintenance", "Manual"}
)
