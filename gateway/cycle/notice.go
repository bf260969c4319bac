package cycle

import (
	"slices"
	"strings"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/handshake"
)

// notice is one code of Notify. Codes never change their meaning.
type notice struct {
	code  string
	level Level
	// endsBy is the code that tells the end of a condition, at level Info. It is
	// empty for a notice that stands for itself.
	endsBy  string
	meaning string
	remedy  string // empty where nobody has to do anything
	alarm   alarm.Class
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
	noteLag             = "result-lags"
	noteConfirmed       = "finding-confirmed"
	noteConfirmWaits    = "confirmation-waits"
	noteConfirmRefused  = "confirmation-refused"
	noteConfirmDropped  = "confirmation-dropped"
	noteFalseView       = "view-false"
	noteBegins          = "record-begins"
	notePayloadClosed   = "payload-not-readable"
	noteHang            = "wrapper-told"
	noteHung            = "wrapper-hung"
	noteHangRefused     = "wrapper-refused"
	noteHangEnded       = "wrapper-configured"
	noteHeads           = "heads-counted"
	noteHeadsRefused    = "heads-refused"
	noteStation         = "station-told"
	noteStationRefused  = "station-refused"
)

// Codes of conditions: told when they begin, and once more when they end.
const (
	condInvalidRead   = "invalid-read"
	condTickStands    = "controller-stands"
	condMemoryLost    = "memory-lost"
	condBootSeen      = "boot-number-used"
	condHello         = "session-not-adopted"
	condRefused       = "controller-refuses"
	condReadback      = "payload-differs"
	condOutcome       = "outcome-unreadable"
	condRing          = "ring-nearly-full"
	condHoldAll       = "hold-all"
	condNoVerdict     = "verdict-invalid"
	condEpoch         = "epoch-bound"
	condJournal       = "journal-set-aside"
	condDoubt         = "journal-doubtful"
	condShadow        = "shadow"
	condHoldsUnknown  = "holds-unknown"
	condRollBack      = "roll-number-back"
	condContradiction = "controller-contradicts"
	condLeaseSilent   = "lease-silent"
	condAckAlone      = "acknowledged-alone"
	condRunsOut       = "wrapper-runs-out"
	condWrapper       = "wrapper-contradicted"
	condHeads         = "heads-run-out"
	condByHand        = "station-by-hand"
	condOverdue       = "station-overdue"
	condPlatenHot     = "platen-above-ceiling"
)

// Codes of conditions that the shell raises, for what the machine does not see. The
// first is the machine's too: it knows of no connection before the first.
const (
	ConditionLink        = "link-down"
	ConditionRoom        = "disk-nearly-full"
	ConditionCertificate = "certificate-ends"
	ConditionEnded       = "line-ended"
	ConditionOnward      = "publication-behind"
)

// What a row says of the alarm that a notice makes. Told makes none. Firm is what
// may hurt somebody, or what leaves nobody who can vouch for the record.
var (
	told   = alarm.Class{}
	medium = alarm.Class{Priority: alarm.Medium}
	high   = alarm.Class{Priority: alarm.High}
	firm   = alarm.Class{Priority: alarm.High, Firm: true}
)

// low is a low alarm for what often passes by itself: it must stand for a while.
func low(on, off time.Duration) alarm.Class {
	return alarm.Class{Priority: alarm.Low, On: on, Off: off}
}

// RuleOf is the row of a code as that of an alarm. ok is false for a code that no
// row begins with.
func RuleOf(code string) (r alarm.Rule, ok bool) {
	n := noticeOf(code)
	return alarm.Rule{Code: n.code, Meaning: n.meaning, Remedy: n.remedy, Class: n.alarm}, n.meaning != ""
}

// Standing tells whether a code is that of a condition, which stands until it ends; it
// is false for a notice that stands for itself.
func Standing(code string) bool { return noticeOf(code).endsBy != "" }

// notices is every code that Notify can carry, but for those that end a
// condition.
var notices = append([]notice{
	{noteSession, Info, "", "The controller adopted a new session.", "", told},
	{noteSessionLeft, Info, "", "The session was left; the next one settles what it left open.", "", told},
	{noteRestarted, Warning, "", "The boot number of the controller changed.", "", told},
	{noteFenced, Alarm, "", "A newer session of another gateway is in force; this one stops.", "Find out which gateway should serve the line, stop the other, then have this line served again: lapgate restart.", firm},
	{noteJournalFailed, Alarm, "", "A record could not be made durable; the line is no longer served.", "Make room, then the line comes back by itself; after any other failure look at the disk, then have the line served again: lapgate restart.", firm},
	{noteGap, Alarm, "", "Outcomes or rolls of which nothing can be known.", "Find out at the line what became of the rolls named.", high},
	{noteArmed, Info, "", "Writing to the controller was allowed.", "", told},
	{noteDisarmed, Info, "", "Writing to the controller was forbidden.", "", told},
	{noteSwapped, Alarm, "", "The controller is another, or lost its memory; writing was forbidden until somebody arms the line again.", "Look at the controller, then arm the line again.", high},
	{noteConfigWaits, Info, "", "Another configuration waits for the next roll.", "", told},
	{noteConfigInForce, Info, "", "Another configuration took effect.", "", told},
	{noteRequest, Info, "", "A roll waits for its recipe.", "", told},
	{noteAccepted, Info, "", "The controller accepted a recipe.", "", told},
	{noteHeld, Warning, "", "The roll is held; the fields tell why and what to do.", "Do what the findings say, then press retry at the controller.", told},
	{noteRejected, Warning, "", "The controller rejected an offer.", "Where it comes again, do what the reason says.", told},
	{noteVoid, Info, "", "An offer was closed, and no recipe of it was or will be used.", "", told},
	{noteNoVerdict, Warning, "", "The controller gave no verdict on a commit; a new session settles it.", "Where it comes again, check that the controller scans the COMMIT block.", told},
	{noteOutcome, Info, "", "A roll left the station; its outcome is in the journal.", "", told},
	{noteScale, Warning, "", "The scale reading of a wrapped roll is not what its recipe predicts; the text names likely causes.", "Look for the causes that the text names; weigh the roll again.", told},
	{noteShadow, Info, "", "The recipe that would have been offered, while writing is forbidden.", "", told},
	{noteOverride, Warning, "", "A named person's recipe is offered.", "", told},
	{noteOverrideWaits, Info, "", "A named person's recipe waits for the next request of its roll.", "", told},
	{noteOverrideRefused, Warning, "", "A named person's recipe is not offered; the fields tell why.", "Do what the fields say, or let the computed recipe be.", told},
	{noteOverrideDropped, Warning, "", "A named person's recipe is no longer offered: the roll left or was measured again, or it waited too long.", "Look at the roll and the values again, then give the override again.", told},
	{noteLag, Warning, "", "The result showed later than the phase that belongs to it; the verdict was waited for.", "Let the controller's program publish phase, result and last OFFER in one publication.", told},
	{noteConfirmed, Warning, "", "A named person's word that what a finding asks for is done takes effect.", "", told},
	{noteConfirmWaits, Info, "", "A named person's confirmation waits for the next request of its roll.", "", told},
	{noteConfirmRefused, Warning, "", "A named person's confirmation is not taken; the fields tell why.", "Do what the fields say.", told},
	{noteConfirmDropped, Warning, "", "A named person's confirmation no longer counts: the roll left or was measured again, or it waited too long.", "Look at the roll again, then confirm again.", told},
	{notePayloadClosed, Info, "", "The controller gives no read access to the PAYLOAD block, so that what was written is not compared; the controller checks it in any case.", "", told},
	{noteHang, Info, "", "A named person told what hangs in a slot of the stand.", "", told},
	{noteHung, Info, "", "A wrapper that a named person told of hangs: its slot was opened and is ready again, or confirmed.", "", told},
	{noteHangRefused, Warning, "", "What a named person told of a slot is not taken; the text tells why.", "Do what the text says.", told},
	{noteHangEnded, Warning, "", "What a named person told of a slot no longer counts, because the configuration says something else of it.", "Look what hangs there, and tell it with lapgate hang where the configuration is wrong.", told},
	{noteHeads, Info, "", "A named person counted the heads of a size.", "", told},
	{noteHeadsRefused, Warning, "", "A named person's count of heads is not taken; the text tells why.", "Do what the text says.", told},
	{noteStation, Info, "", "A named person had a station worked by hand, or as it is configured.", "", told},
	{noteStationRefused, Warning, "", "What a named person told of a station is not taken; the text tells why.", "Do what the text says.", told},
	{noteBegins, Info, "", "The record of the line begins; the fields tell what came before it.", "", told},
	{noteFalseView, Warning, "", "A request block was whole and said what the next one did not; nothing was concluded from it.", "Where it comes again, look for what writes into the controller's REQ block or between it and the gateway.", told},

	{ConditionLink, Warning, "link-up", "The connection to the controller is gone.", "Check the network and that the controller runs; the gateway tries again by itself.", low(10*time.Second, 0)},
	{condInvalidRead, Warning, "reads-valid", "The request block is not valid, several reads in a row.", "Check layout version and base addresses of the controller.", low(10*time.Second, 5*time.Second)},
	{condTickStands, Alarm, "controller-runs", "The controller answers, but its tick stands.", "Start the controller's program.", high},
	{condMemoryLost, Alarm, "memory-acknowledged", "The controller lost its retained memory and waits for the operator.", "Acknowledge the loss at the controller.", firm},
	{condBootSeen, Alarm, "boot-number-new", "The boot number was in use before the controller's memory was lost.", "Restart the controller.", high},
	{condHello, Warning, "session-adopted", "The controller does not adopt the session.", "Check that the controller scans the HELLO block.", low(10*time.Second, 0)},
	{condRefused, Alarm, "controller-takes", "The controller refuses a read or a write.", "Check the address, the access rights and the limits of the controller for the block named.", medium},
	{condReadback, Warning, "payload-equal", "The payload read back differs from the one written.", "Check that nothing else writes the PAYLOAD block.", medium},
	{condOutcome, Alarm, "outcome-read", "An outcome that the controller still holds cannot be read whole.", "Check that nothing else writes the outcomes.", high},
	{condRing, Alarm, "ring-has-room", "48 or more outcomes are not acknowledged; at 64 no roll is requested.", "Arm the line, or let the gateway connect, before the ring is full.", high},
	{condNoVerdict, Alarm, "verdict-valid", "The result names the open offer beside a verdict that is none.", "Have the controller's program checked: a result that names an offer says 1, 2 or 3.", high},
	{condEpoch, Alarm, "epoch-free", "The epoch floor of the controller, or the newest epoch known, is at the bound: no session can be opened, and the line stays in shadow.", "Read the outcomes that no journal holds, then bring about the loss of the controller's memory on purpose: stop and lock out the line, clear the retained memory, start the program again and acknowledge the loss. Where it is the epoch known here, move the journal of the line away as well. Find out who wrote the floor.", high},
	{condJournal, Alarm, "journal-accepted", "The journal was damaged or contradicted itself; it was set aside untouched, a new one begun, and the line is in shadow.", "Keep the file that was set aside and have it looked at with lapgate journal verify; look at the line, then arm it again.", firm},
	{condDoubt, Alarm, "journal-trusted", "It is doubtful whether the journal is that of the line, whole; the fields tell why.", "Find the journal that the line last wrote, or what became of the rolls that this one does not hold; then accept the one that is there: lapgate journal accept.", firm},
	{condShadow, Warning, "armed-again", "The line had been armed, and is in shadow until a named person arms it again.", "See to what the text names, walk the line, then arm it: lapgate arm.", low(0, 0)},
	{condHoldsUnknown, Warning, "holds-known", "The journal is a new one, or was put back; a hold of all rolls that was given before is not known in it.", "Ask the shift whether the line was held: hold it again, end the hold, or arm the line.", medium},
	{condRollBack, Alarm, "roll-number-ahead", "The roll number went back below one that the journal has; a roll of a number that was used is held.", "Find out at the controller who set the roll number; it must only go up.", high},
	{condContradiction, Alarm, "contradiction-looked-at", "An outcome says that an offer was used which the controller had shown as not accepted; both are in the journal.", "Find out at the line what the roll was wrapped with, and have the controller's program checked; then disarm the line and arm it again.", firm},
	{condLeaseSilent, Alarm, "lease-answers", "The store of the lease does not answer; silence is no evidence, and each gateway goes on as it is.", "See to the store and the network to it. Where the gateway that leads is gone as well, move the line by command.", medium},
	{condAckAlone, Alarm, "acknowledged-by-both", "Outcomes were acknowledged that the store of the pair does not hold yet.", "See to the store and the network to it; keep the journal of this gateway until the store has its records.", medium},
	{condRunsOut, Warning, "wrapper-lasts", "A wrapper roll lasts for few rolls more.", "Have the next wrapper roll ready, and tell with lapgate hang when it is hung.", low(0, 0)},
	{condWrapper, Warning, "wrapper-as-told", "What was measured of a wrapped roll contradicts the wrapper that a person told of.", "Read on the wrapper roll what hangs, with the stand locked out; where it was told wrong, correct it with lapgate hang --correct.", medium},
	{condHeads, Warning, "heads-last", "Heads of a size are left for few rolls more.", "Bring heads of that size, and tell with lapgate stock how many there are.", low(0, 0)},
	{condByHand, Info, "station-as-configured", "A station is worked by hand because a person said so.", "Have it worked as configured again with lapgate station when the reason is gone.", told},
	{condOverdue, Warning, "station-in-time", "A station is still worked by hand although its time is over; it does not change back by itself.", "Look at the station with everybody clear of it, then tell it with lapgate station: as configured, or by hand for longer.", low(0, 0)},
	{condPlatenHot, Alarm, "platen-below-ceiling", "A platen is hotter than any may be: paper may take fire.", "Keep the press open and people clear of it; lock its heaters out, find out why they do not stop, and let it cool.", firm},
	{ConditionOnward, Warning, "publication-caught-up", "What the journal tells is not taken by the broker of publish.mqtt; it is sent later, and the line goes on meanwhile.", "See to the broker and the network to it, and to its users and topics; the log of the daemon has what it answered.", low(5*time.Minute, 0)},
	{ConditionRoom, Warning, "disk-has-room", "The disk of the journals is nearly full; without room no line can be served.", "Make room, or move old journals that were set aside elsewhere.", medium},
	{ConditionCertificate, Warning, "certificate-renewed", "A certificate ends soon; then no connection comes about with it.", "Have it renewed and accepted by the other side in time; lapgate's own over OPC UA: lapgate trust own --new.", medium},
	{ConditionEnded, Alarm, "line-served", "The line is not served.", "See to the cause, then have the line served again: lapgate restart.", firm},
	{condHoldAll, Warning, "hold-all-ended", "An operator holds all rolls.", "End the hold when its reason is gone.", told},
}, processNotices()...)

func noticeOf(code string) notice {
	for _, n := range notices {
		if n.code == code {
			return n
		}
	}
	return notice{code: code} // the end of a condition
}

// Condition is what is wrong with a line for a while, for people.
type Condition struct {
	Code    string
	Of      string // what it is about, where the same can stand for several things
	Level   Level
	Meaning string
	Remedy  string
}

// ConditionOf tells of a condition of Status.Conditions. ok is false for one that
// this package does not raise.
func ConditionOf(key string) (c Condition, ok bool) {
	code, of, _ := strings.Cut(key, "/")
	n := noticeOf(code)
	return Condition{Code: code, Of: of, Level: n.level, Meaning: n.meaning, Remedy: n.remedy}, n.meaning != ""
}

func refusedKey(b handshake.ID) string { return condRefused + "/" + b.String() }

// tell tells people something at the level of its code, with the remedy of the code
// where the fields have none of their own.
func (m *Machine) tell(code, text string, fields ...Field) {
	n := noticeOf(code)
	if n.remedy != "" && !slices.ContainsFunc(fields, func(f Field) bool { return f.Key == "remedy" }) {
		fields = append(fields, Field{"remedy", n.remedy})
	}
	m.do(Notify{Code: code, Level: n.level, Text: text, Fields: fields})
}

// condition is something that stands for a while. It is told once when it
// begins and once when it ends; what happens between is counted.
type condition struct {
	key   string
	since time.Duration
	times int
}

// raise begins a condition, or counts one that stands. The key is the code,
// with a part after a slash where the same condition can stand for several
// things.
func (m *Machine) raise(key, text string, fields ...Field) {
	if i := m.standing(key); i >= 0 {
		m.conditions[i].times++
		return
	}
	m.conditions = append(m.conditions, condition{key, m.now.Mono, 1})
	code, _, _ := strings.Cut(key, "/")
	m.tell(code, text, fields...)
}

// end tells of the end of a condition, if it stands.
func (m *Machine) end(key string) {
	i := m.standing(key)
	if i < 0 {
		return
	}
	c := m.conditions[i]
	m.conditions = slices.Delete(m.conditions, i, i+1)
	code, of, _ := strings.Cut(key, "/")
	fields := []Field{{"lasted_s", (m.now.Mono - c.since).Seconds()}, {"times", c.times}}
	if of != "" {
		fields = append(fields, Field{"of", of})
	}
	n := noticeOf(code)
	m.tell(n.endsBy, "no longer so: "+n.meaning, fields...)
}

// standing is the place of a condition among those that stand, or -1.
func (m *Machine) standing(key string) int {
	return slices.IndexFunc(m.conditions, func(c condition) bool { return c.key == key })
}

func (m *Machine) count(key string) { m.counts[key]++ }
