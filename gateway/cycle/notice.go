package cycle

import (
	"slices"
	"strings"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/handshake"
	"lapgate/recipe/wording"
)

// notice is one code of Notify. Codes never change their meaning.
type notice struct {
	code  string
	level Level
	// endsBy is the code that tells the end of a condition, at level Info. It is
	// empty for a notice that stands for itself.
	endsBy string
	alarm  alarm.Class
}

// meaning is what the notice says in a sentence.
func (n *notice) meaning() wording.Said { return wording.Say("notice." + n.code) }

// remedy is what to do about it; it says nothing where nobody has to do anything.
func (n *notice) remedy() wording.Said {
	key := "notice." + n.code + ".do"
	if _, ok := wording.English(key); !ok {
		return wording.Said{}
	}
	return wording.Say(key)
}

// Codes of single notices.
const (
	noteSession         = "session-opened"
	noteSessionLeft     = "session-left"
	noteRestarted       = "controller-restarted"
	noteFenced          = "fenced"
	noteOvertaken       = "overtaken"
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
	noteOther           = "gap-of-other"
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
	condUnfilled      = "gap-unfilled"
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
	ConditionBehind      = "engine-behind"
	ConditionLongBehind  = "backlog-critical"
	ConditionStopped     = "shipping-stopped"
	ConditionOtherGone   = "other-machine-gone"
)

// Codes of single notices of the shell, about the lease of a line in a pair.
const (
	NoticeTakenOver  = "line-taken-over"
	NoticeHandedOver = "line-handed-over"
	NoticeMoved      = "line-moved"
	NoticeForgotten  = "lease-forgotten"
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
	n, ok := noticeOf(code)
	return alarm.Rule{Code: n.code, Meaning: n.meaning().String(), Remedy: n.remedy(), Class: n.alarm}, ok
}

// NoticeCodes are the codes of all notices, but for those that end a condition.
func NoticeCodes() []string {
	out := make([]string, len(notices))
	for i := range notices {
		out[i] = notices[i].code
	}
	return out
}

// Standing tells whether a code is that of a condition, which stands until it ends; it
// is false for a notice that stands for itself.
func Standing(code string) bool { return EndOf(code) != "" }

// EndOf is the code that tells the end of a condition, empty for a notice that stands
// for itself.
func EndOf(code string) string {
	n, _ := noticeOf(code)
	return n.endsBy
}

// notices is every code that Notify can carry, but for those that end a
// condition.
var notices = append([]notice{
	{noteSession, Info, "", told},
	{noteSessionLeft, Info, "", told},
	{noteRestarted, Warning, "", told},
	{noteFenced, Alarm, "", firm},
	{noteOvertaken, Warning, "", medium},
	{noteJournalFailed, Alarm, "", firm},
	{noteGap, Alarm, "", high},
	{noteArmed, Info, "", told},
	{noteDisarmed, Info, "", told},
	{noteSwapped, Alarm, "", high},
	{noteConfigWaits, Info, "", told},
	{noteConfigInForce, Info, "", told},
	{noteRequest, Info, "", told},
	{noteAccepted, Info, "", told},
	{noteHeld, Warning, "", told},
	{noteRejected, Warning, "", told},
	{noteVoid, Info, "", told},
	{noteNoVerdict, Warning, "", told},
	{noteOutcome, Info, "", told},
	{noteScale, Warning, "", told},
	{noteShadow, Info, "", told},
	{noteOverride, Warning, "", told},
	{noteOverrideWaits, Info, "", told},
	{noteOverrideRefused, Warning, "", told},
	{noteOverrideDropped, Warning, "", told},
	{noteLag, Warning, "", told},
	{noteConfirmed, Warning, "", told},
	{noteConfirmWaits, Info, "", told},
	{noteConfirmRefused, Warning, "", told},
	{noteConfirmDropped, Warning, "", told},
	{notePayloadClosed, Info, "", told},
	{noteHang, Info, "", told},
	{noteHung, Info, "", told},
	{noteHangRefused, Warning, "", told},
	{noteHangEnded, Warning, "", told},
	{noteHeads, Info, "", told},
	{noteHeadsRefused, Warning, "", told},
	{noteStation, Info, "", told},
	{noteStationRefused, Warning, "", told},
	{noteBegins, Info, "", told},
	{noteFalseView, Warning, "", told},
	{noteOther, Info, "", told},
	{NoticeTakenOver, Warning, "", medium},
	{NoticeHandedOver, Info, "", told},
	{NoticeMoved, Warning, "", told},
	{NoticeForgotten, Alarm, "", high},

	{ConditionLink, Warning, "link-up", low(10*time.Second, 0)},
	{condInvalidRead, Warning, "reads-valid", low(10*time.Second, 5*time.Second)},
	{condTickStands, Alarm, "controller-runs", high},
	{condMemoryLost, Alarm, "memory-acknowledged", firm},
	{condBootSeen, Alarm, "boot-number-new", high},
	{condHello, Warning, "session-adopted", low(10*time.Second, 0)},
	{condRefused, Alarm, "controller-takes", medium},
	{condReadback, Warning, "payload-equal", medium},
	{condOutcome, Alarm, "outcome-read", high},
	{condRing, Alarm, "ring-has-room", high},
	{condNoVerdict, Alarm, "verdict-valid", high},
	{condEpoch, Alarm, "epoch-free", high},
	{condJournal, Alarm, "journal-accepted", firm},
	{condDoubt, Alarm, "journal-trusted", firm},
	{condShadow, Warning, "armed-again", low(0, 0)},
	{condHoldsUnknown, Warning, "holds-known", medium},
	{condRollBack, Alarm, "roll-number-ahead", high},
	{condContradiction, Alarm, "contradiction-looked-at", firm},
	{condLeaseSilent, Alarm, "lease-answers", medium},
	{condAckAlone, Alarm, "acknowledged-by-both", medium},
	{condUnfilled, Warning, "gap-filled", low(10*time.Second, 0)},
	{condRunsOut, Warning, "wrapper-lasts", low(0, 0)},
	{condWrapper, Warning, "wrapper-as-told", medium},
	{condHeads, Warning, "heads-last", low(0, 0)},
	{condByHand, Info, "station-as-configured", told},
	{condOverdue, Warning, "station-in-time", low(0, 0)},
	{condPlatenHot, Alarm, "platen-below-ceiling", firm},
	{ConditionRoom, Warning, "disk-has-room", medium},
	{ConditionOnward, Warning, "publication-caught-up", low(5*time.Minute, 0)},
	{ConditionBehind, Warning, "engine-caught-up", low(5*time.Minute, 0)},
	{ConditionLongBehind, Warning, "backlog-uncritical", medium},
	{ConditionStopped, Alarm, "shipping-goes-on", high},
	{ConditionOtherGone, Warning, "other-machine-there", medium},
	{ConditionCertificate, Warning, "certificate-renewed", medium},
	{ConditionEnded, Alarm, "line-served", firm},
	{condHoldAll, Warning, "hold-all-ended", told},
}, processNotices()...)

// noticeOf is the row of a code; ok is false for one without, as that of the end of
// a condition.
func noticeOf(code string) (n notice, ok bool) {
	for _, n := range notices {
		if n.code == code {
			return n, true
		}
	}
	return notice{code: code}, false
}

// Condition is what is wrong with a line for a while, for people.
type Condition struct {
	Code    string
	Of      string // what it is about, where the same can stand for several things
	Level   Level
	Meaning wording.Said
	Remedy  wording.Said // says nothing where nobody has to do anything
}

// ConditionOf tells of a condition of Status.Conditions. ok is false for one that
// this package does not raise.
func ConditionOf(key string) (c Condition, ok bool) {
	code, of, _ := strings.Cut(key, "/")
	n, ok := noticeOf(code)
	return Condition{Code: code, Of: of, Level: n.level, Meaning: n.meaning(), Remedy: n.remedy()}, ok
}

func refusedKey(b handshake.ID) string { return condRefused + "/" + b.String() }

// NoticeOf is what people are told, at the level of its code, with the remedy of the code
// where the fields have none of their own.
func NoticeOf(code string, said wording.Said, fields ...Field) Notify {
	n, _ := noticeOf(code)
	if remedy := n.remedy(); !remedy.IsZero() && !slices.ContainsFunc(fields, func(f Field) bool { return f.Key == "remedy" }) {
		fields = append(fields, Field{"remedy", remedy})
	}
	return Notify{Code: code, Level: n.level, Said: said, Text: said.String(), Fields: fields}
}

// tell tells people something.
func (m *Machine) tell(code string, said wording.Said, fields ...Field) {
	m.do(NoticeOf(code, said, fields...))
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
func (m *Machine) raise(key string, said wording.Said, fields ...Field) {
	if i := m.standing(key); i >= 0 {
		m.conditions[i].times++
		return
	}
	m.conditions = append(m.conditions, condition{key, m.now.Mono, 1})
	code, _, _ := strings.Cut(key, "/")
	m.tell(code, said, fields...)
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
	n, _ := noticeOf(code)
	m.tell(n.endsBy, wording.Say("told.ended", "meaning", n.meaning()), fields...)
}

// standing is the place of a condition among those that stand, or -1.
func (m *Machine) standing(key string) int {
	return slices.IndexFunc(m.conditions, func(c condition) bool { return c.key == key })
}

func (m *Machine) count(key string) { m.counter(key).N++ }

// counter is the counter of a key, to be changed at once. The counters are copied before,
// since a Status that was given away has the former ones.
func (m *Machine) counter(key string) *Count {
	m.counts = slices.Clone(m.counts)
	i, found := slices.BinarySearchFunc(m.counts, key, func(c Count, key string) int { return strings.Compare(c.Key, key) })
	if !found {
		m.counts = slices.Insert(m.counts, i, Count{Key: key})
	}
	return &m.counts[i]
}
