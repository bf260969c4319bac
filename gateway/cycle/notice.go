package cycle

import (
	"slices"
	"strings"

	"lapgate/gateway/handshake"
)

// NoticeInfo describes one code of Notify. Codes never change their meaning.
type NoticeInfo struct {
	Code    string
	Level   Level
	Ends    string // the code of the condition that this one ends, if any
	Meaning string
}

// Codes of single notices.
const (
	noteSession         = "session-opened"
	noteSessionLeft     = "session-left"
	noteRestarted       = "controller-restarted"
	noteFenced          = "fenced"
	noteJournalFailed   = "journal-failed"
	noteGap             = "journal-gap"
	noteArmed           = "armed"
	noteDisarmed        = "disarmed"
	noteSwapped         = "controller-swapped"
	noteConfigWaits     = "config-waits"
	noteConfigInForce   = "config-in-force"
	noteRequest         = "roll-waits"
	noteAccepted        = "offer-accepted"
	noteHeld            = "offer-held"
	noteRejected        = "offer-rejected"
	noteVoid            = "offer-void"
	noteNoVerdict       = "offer-unanswered"
	noteOutcome         = "roll-left"
	noteScale           = "scale-mismatch"
	noteShadow          = "shadow-recipe"
	noteOverride        = "override-offered"
	noteOverrideWaits   = "override-waits"
	noteOverrideRefused = "override-refused"
	noteOverrideDropped = "override-dropped"
)

// Codes of conditions: told when they begin, and once more when they end.
const (
	condLink        = "link-down"
	condInvalidRead = "invalid-read"
	condTickStands  = "controller-stands"
	condMemoryLost  = "memory-lost"
	condBootSeen    = "boot-number-used"
	condHello       = "session-not-adopted"
	condRefused     = "controller-refuses"
	condReadback    = "payload-differs"
	condOutcome     = "outcome-unreadable"
	condRing        = "ring-nearly-full"
	condHoldAll     = "hold-all"
)

// endings are the codes with which conditions end.
var endings = [...]struct{ begin, end string }{
	{condLink, "link-up"},
	{condInvalidRead, "reads-valid"},
	{condTickStands, "controller-runs"},
	{condMemoryLost, "memory-acknowledged"},
	{condBootSeen, "boot-number-new"},
	{condHello, "session-adopted"},
	{condRefused, "controller-takes"},
	{condReadback, "payload-equal"},
	{condOutcome, "outcome-read"},
	{condRing, "ring-has-room"},
	{condHoldAll, "hold-all-ended"},
}

// Notices returns every code that Notify can carry, in a fixed order.
func Notices() []NoticeInfo {
	return []NoticeInfo{
		{noteSession, Info, "", "The controller adopted a new session."},
		{noteSessionLeft, Info, "", "The session was left; the next one settles what it left open."},
		{noteRestarted, Warning, "", "The boot number of the controller changed."},
		{noteFenced, Alarm, "", "A newer session of another gateway is in force; this one stops."},
		{noteJournalFailed, Alarm, "", "A record could not be made durable; the line is no longer served."},
		{noteGap, Alarm, "", "Outcomes or rolls of which nothing can be known."},
		{noteArmed, Info, "", "Writing to the controller was allowed."},
		{noteDisarmed, Info, "", "Writing to the controller was forbidden."},
		{noteSwapped, Alarm, "", "The controller is another, or lost its memory; writing was forbidden until somebody arms the line again."},
		{noteConfigWaits, Info, "", "Another configuration waits for the next roll."},
		{noteConfigInForce, Info, "", "Another configuration took effect."},
		{noteRequest, Info, "", "A roll waits for its recipe."},
		{noteAccepted, Info, "", "The controller accepted a recipe."},
		{noteHeld, Warning, "", "The roll is held; the fields tell why and what to do."},
		{noteRejected, Warning, "", "The controller rejected an offer."},
		{noteVoid, Info, "", "An offer was closed, and no recipe of it was or will be used."},
		{noteNoVerdict, Warning, "", "The controller gave no verdict on a commit; a new session settles it."},
		{noteOutcome, Info, "", "A roll left the station; its outcome is in the journal."},
		{noteScale, Warning, "", "The scale reading of a wrapped roll is not what its recipe predicts; the text names likely causes."},
		{noteShadow, Info, "", "The recipe that would have been offered, while writing is forbidden."},
		{noteOverride, Warning, "", "A named person's recipe is offered."},
		{noteOverrideWaits, Info, "", "A named person's recipe waits for the next request of its roll."},
		{noteOverrideRefused, Warning, "", "A named person's recipe is not offered; the fields tell why."},
		{noteOverrideDropped, Warning, "", "A named person's recipe is no longer offered: the roll left or was measured again, or it waited too long."},

		{condLink, Warning, "", "The connection to the controller is gone."},
		{"link-up", Info, condLink, "The connection to the controller stands."},
		{condInvalidRead, Warning, "", "The request block is not valid, several reads in a row."},
		{"reads-valid", Info, condInvalidRead, "The request block is valid again."},
		{condTickStands, Alarm, "", "The controller answers, but its tick stands."},
		{"controller-runs", Info, condTickStands, "The tick moves again."},
		{condMemoryLost, Alarm, "", "The controller lost its retained memory and waits for the operator."},
		{"memory-acknowledged", Info, condMemoryLost, "The operator acknowledged the loss of memory."},
		{condBootSeen, Alarm, "", "The boot number was in use before the controller's memory was lost."},
		{"boot-number-new", Info, condBootSeen, "The boot number is one never seen before."},
		{condHello, Warning, "", "The controller does not adopt the session."},
		{"session-adopted", Info, condHello, "The controller adopted the session after all."},
		{condRefused, Alarm, "", "The controller refuses a read or a write."},
		{"controller-takes", Info, condRefused, "The controller no longer refuses it."},
		{condReadback, Warning, "", "The payload read back differs from the one written."},
		{"payload-equal", Info, condReadback, "The payload read back is the one written."},
		{condOutcome, Alarm, "", "An outcome that the controller still holds cannot be read whole."},
		{"outcome-read", Info, condOutcome, "The outcome was read, or overwritten."},
		{condRing, Alarm, "", "48 or more outcomes are not acknowledged; at 64 no roll is requested."},
		{"ring-has-room", Info, condRing, "The ring has room again."},
		{condHoldAll, Warning, "", "An operator holds all rolls."},
		{"hold-all-ended", Info, condHoldAll, "The operator's hold of all rolls is ended."},
	}
}

func levelOf(code string) Level {
	for _, n := range Notices() {
		if n.Code == code {
			return n.Level
		}
	}
	return Warning
}

func refusedKey(b handshake.ID) string { return condRefused + "/" + b.String() }

func (m *Machine) tell(code string, l Level, text string, fields ...Field) {
	m.do(Notify{Code: code, Level: l, Text: text, Fields: fields})
}

// raise tells of a condition when it begins. The key is the code, with a part
// after a slash where the same condition can stand for several things.
func (m *Machine) raise(key, text string, fields ...Field) {
	if slices.Contains(m.conditions, key) {
		return
	}
	m.conditions = append(m.conditions, key)
	code, _, _ := strings.Cut(key, "/")
	m.tell(code, levelOf(code), text, fields...)
}

// end tells of the end of a condition that was raised.
func (m *Machine) end(key string) {
	i := slices.Index(m.conditions, key)
	if i < 0 {
		return
	}
	m.conditions = slices.Delete(m.conditions, i, i+1)
	code, of, _ := strings.Cut(key, "/")
	for _, e := range endings {
		if e.begin != code {
			continue
		}
		var fields []Field
		if of != "" {
			fields = append(fields, Field{"block", of})
		}
		m.tell(e.end, Info, "ended: "+code, fields...)
	}
}

func (m *Machine) count(key string) { m.counts[key]++ }
