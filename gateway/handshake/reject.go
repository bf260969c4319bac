package handshake

import (
	"fmt"
	"strconv"
	"strings"

	"lapgate/recipe/wording"
)

// Reasons of a rejection, in the order in which the controller checks. To
// RejectPermissive it adds the number of the first permissive that is off, to
// RejectLimit the register of the setpoint in the payload less FirstSetpoint.
const (
	RejectDamaged    uint16 = 10
	RejectOtherOffer uint16 = 11
	RejectWrongRoll  uint16 = 12
	RejectTooLate    uint16 = 13
	RejectNotAlive   uint16 = 14
	RejectPermissive uint16 = 20
	RejectLimit      uint16 = 60
)

// FirstSetpoint is the register of the first setpoint in the payload.
const FirstSetpoint = 33

// permissives is how many permissives the request block can hold.
const permissives = 32

// RejectReason is the reason number of a rejection.
type RejectReason uint16

// RejectReasons lists the reasons of a rejection in the order in which the
// controller checks; of permissives and setpoints the base of their numbers.
func RejectReasons() []RejectReason {
	return []RejectReason{
		RejectReason(RejectDamaged), RejectReason(RejectOtherOffer), RejectReason(RejectWrongRoll), RejectReason(RejectTooLate),
		RejectReason(RejectNotAlive), RejectReason(RejectPermissive), RejectReason(RejectLimit),
	}
}

// Words returns the reason in a few words, without the permissive or the
// setpoint that it names; empty for a number that the handshake does not know.
func (r RejectReason) Words() string {
	switch n := uint16(r); {
	case n == 0:
		return "none"
	case n == RejectDamaged:
		return "payload damaged"
	case n == RejectOtherOffer:
		return "payload of another offer"
	case n == RejectWrongRoll:
		return "wrong roll data"
	case n == RejectTooLate:
		return "too late"
	case n == RejectNotAlive:
		return "gateway not alive"
	case n >= RejectPermissive && n < RejectPermissive+permissives:
		return "permissive off"
	case n >= RejectLimit && n < RejectLimit+PayloadWords-FirstSetpoint:
		return "outside controller limit"
	}
	return ""
}

// String returns the reason in a few words, with the number of the permissive
// or the name of the setpoint.
func (r RejectReason) String() string {
	words := r.Words()
	switch n := uint16(r); {
	case words == "":
		return "reason " + strconv.Itoa(int(r))
	case n >= RejectLimit:
		return SetpointAt(int(n-RejectLimit)+FirstSetpoint) + " " + words
	case n >= RejectPermissive:
		return fmt.Sprintf("permissive %d off", n-RejectPermissive)
	}
	return words
}

// Said is the reason in words of the table.
func (r RejectReason) Said() wording.Said {
	words := r.Words()
	switch n := uint16(r); {
	case words == "":
		return wording.Say("reject.unknown", "number", int(r))
	case n >= RejectLimit:
		return wording.Say("reject.outside-controller-limit", "setpoint", SetpointAt(int(n-RejectLimit)+FirstSetpoint))
	case n >= RejectPermissive:
		return wording.Say("reject.permissive-off", "bit", n-RejectPermissive)
	}
	return said("reject", words)
}

// MarshalText spells the reason for programs.
func (r RejectReason) MarshalText() ([]byte, error) { return []byte(Spelled(r.String())), nil }

// SetpointAt names the setpoint at a register of the payload.
func SetpointAt(register int) string {
	for _, f := range Fields(PAYLOAD) {
		if register >= f.Register && register < f.Register+f.Words {
			return strings.ReplaceAll(f.Name, "_", " ")
		}
	}
	return "register " + strconv.Itoa(register) + " of the payload"
}

// VerdictText is a verdict with its reason for people, as in
// "rejected: wrong roll data (12)".
func VerdictText(v Verdict, reason uint16) string {
	switch {
	case reason == 0:
		return v.String()
	case v == HeldVerdict:
		return fmt.Sprintf("%s: %s (%d)", v, HoldReason(reason), reason)
	}
	return fmt.Sprintf("%s: %s (%d)", v, RejectReason(reason), reason)
}

// VerdictSaid is VerdictText in words of the table.
func VerdictSaid(v Verdict, reason uint16) wording.Said {
	switch {
	case reason == 0:
		return v.Said()
	case v == HeldVerdict:
		return wording.Say("verdict.reason", "verdict", v.Said(), "reason", HoldReason(reason).Said(), "number", reason)
	}
	return wording.Say("verdict.reason", "verdict", v.Said(), "reason", RejectReason(reason).Said(), "number", reason)
}

// VerdictReason spells the reason of a verdict for programs, none for 0.
func VerdictReason(v Verdict, reason uint16) string {
	if v == HeldVerdict {
		return Spelled(HoldReason(reason).String())
	}
	return Spelled(RejectReason(reason).String())
}
