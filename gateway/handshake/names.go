package handshake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/wording"
)

// Every number of the handshake that means something has one spelling: String
// gives it to people, and the same words joined by _ stand in JSON, CSV, metrics
// and, in capitals, in the constants of the controller program. In JSON the
// number itself is read, too: older journals hold it.

// String returns the name of the block as the handshake writes it.
func (id ID) String() string { return nameOf("block", int(id), blockNames[:]) }

// String returns the phase in one word.
func (p Phase) String() string { return nameOf("phase", int(p), phaseNames[:]) }

// MarshalText spells the phase for programs.
func (p Phase) MarshalText() ([]byte, error) { return []byte(Spelled(p.String())), nil }

// String returns the verdict in one word.
func (v Verdict) String() string { return nameOf("verdict", int(v), verdictNames[:]) }

// MarshalText spells the verdict for programs.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(Spelled(v.String())), nil }

// UnmarshalJSON reads what MarshalText spells, or the number.
func (v *Verdict) UnmarshalJSON(b []byte) error { return readWord(v, "verdict", verdictNames[:], b) }

// String returns the kind of the offer in one word.
func (k Kind) String() string { return nameOf("kind", int(k), kindNames[:]) }

// MarshalText spells the kind for programs.
func (k Kind) MarshalText() ([]byte, error) { return []byte(Spelled(k.String())), nil }

// UnmarshalJSON reads what MarshalText spells, or the number.
func (k *Kind) UnmarshalJSON(b []byte) error { return readWord(k, "kind", kindNames[:], b) }

// String returns the origin of the offer in one word.
func (o Origin) String() string { return nameOf("origin", int(o), originNames[:]) }

// MarshalText spells the origin for programs.
func (o Origin) MarshalText() ([]byte, error) { return []byte(Spelled(o.String())), nil }

// UnmarshalJSON reads what MarshalText spells, or the number.
func (o *Origin) UnmarshalJSON(b []byte) error { return readWord(o, "origin", originNames[:], b) }

// String returns the outcome in a few words.
func (o OutcomeKind) String() string { return nameOf("outcome", int(o), outcomeNames[:]) }

// MarshalText spells the outcome for programs.
func (o OutcomeKind) MarshalText() ([]byte, error) { return []byte(Spelled(o.String())), nil }

// UnmarshalJSON reads what MarshalText spells, or the number.
func (o *OutcomeKind) UnmarshalJSON(b []byte) error {
	return readWord(o, "outcome", outcomeNames[:], b)
}

// String returns the reason in a few words.
func (h HoldReason) String() string { return nameOf("reason", int(h), holdNames[:]) }

// MarshalText spells the reason for programs.
func (h HoldReason) MarshalText() ([]byte, error) { return []byte(Spelled(h.String())), nil }

// UnmarshalJSON reads what MarshalText spells, or the number.
func (h *HoldReason) UnmarshalJSON(b []byte) error { return readWord(h, "reason", holdNames[:], b) }

// Said is the verdict in words of the table.
func (v Verdict) Said() wording.Said { return said("verdict", v.String()) }

// Said is the outcome in words of the table.
func (o OutcomeKind) Said() wording.Said { return said("outcome", o.String()) }

// Said is the reason in words of the table.
func (h HoldReason) Said() wording.Said { return said("hold-reason", h.String()) }

// said is a word of the protocol as people read it: that of the table of sentences,
// which begins with the family. A number without a name stays as it is.
func said(family, word string) wording.Said {
	key := family + "." + strings.ReplaceAll(word, " ", "-")
	if _, ok := wording.English(key); !ok {
		return wording.Plain(word)
	}
	return wording.Say(key)
}

// StateName returns the name of a unit state of ISA-TR88.00.02, numbers 1 to
// 17.
func StateName(n uint16) string { return nameOf("state", int(n), stateNames[:]) }

// ModeName returns the name of a unit mode of ISA-TR88.00.02, numbers 0 to 3.
func ModeName(n uint16) string { return nameOf("mode", int(n), modeNames[:]) }

// SIName is the name of the field with the unit that SI gives it in.
func (f *FieldInfo) SIName() string {
	switch f.Unit {
	case "mm":
		return f.Name + "_m"
	case "mm/s":
		return f.Name + "_m_s"
	case "s":
		return f.Name + "_s"
	case "°C":
		return f.Name + "_c"
	case "kPa":
		return f.Name + "_pa"
	case "g", "kg":
		return f.Name + "_kg"
	case "Hz":
		return f.Name + "_hz"
	}
	return f.Name
}

// Spelled is how words for people stand where a program reads them.
func Spelled(words string) string { return strings.ReplaceAll(words, " ", "_") }

// nameOf writes numbers without a name as such, so that nothing unknown is
// hidden.
func nameOf(what string, n int, names []string) string {
	if n < len(names) && names[n] != "" {
		return names[n]
	}
	return what + " " + strconv.Itoa(n)
}

// readWord reads a number of the handshake from JSON: as it is spelled, or as
// the number.
func readWord[T ~uint16](to *T, what string, names []string, b []byte) error {
	var n uint16
	if quoted := bytes.HasPrefix(b, []byte{'"'}); !quoted && json.Unmarshal(b, &n) == nil {
		*to = T(n)
		return nil
	}
	var text string
	if err := json.Unmarshal(b, &text); err != nil {
		return fmt.Errorf("%s: got %s, want a word or a number", what, b)
	}
	words := strings.ReplaceAll(text, "_", " ")
	if i := slices.Index(names, words); i >= 0 && words != "" {
		*to = T(i)
		return nil
	}
	if digits, ok := strings.CutPrefix(words, what+" "); ok {
		if n, err := strconv.ParseUint(digits, 10, 16); err == nil {
			*to = T(n)
			return nil
		}
	}
	return fmt.Errorf("%s: got %q, want one of %s", what, text, Spelled(strings.Join(names, ", ")))
}

var (
	blockNames   = [...]string{"REQ", "OUT", "HEARTBEAT", "HELLO", "PAYLOAD", "COMMIT", "ACK", "LIMITS"}
	phaseNames   = [...]string{"empty", "await", "run", "held", "manual", "fault"}
	verdictNames = [...]string{"none", "accepted", "rejected", "held"}
	kindNames    = [...]string{"", "recipe", "hold"}
	originNames  = [...]string{"", "computed", "override"}
	outcomeNames = [...]string{"none", "wrapped", "wrapped by hand", "removed", "aborted", "unknown after memory loss"}
	holdNames    = [...]string{
		"none", "no recipe for this roll", "dimension outside limits", "dimension not plausible",
		"measurement old or of poor quality", "interlocked limit", "permissive off", "supply",
		"operator", "journal fault", "configuration fault", "order data missing", "strange roll tag",
	}
	stateNames = [...]string{
		"", "Clearing", "Stopped", "Starting", "Idle", "Suspended", "Execute", "Stopping", "Aborting",
		"Aborted", "Holding", "Held", "Unholding", "Suspending", "Unsuspending", "Resetting",
		"Completing", "Complete",
	}
	modeNames = [...]string{"Invalid", "Produce", "Maintenance", "Manual"}
)
