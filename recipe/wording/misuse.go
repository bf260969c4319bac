package wording

import "errors"

// misuses are what people are answered who ask for what there is not at the line as it is
// configured, or leave out what the act needs. Unlike other refusals, none of them goes away by
// itself or by work at the line: the command is to be given otherwise.
var misuses = []Entry{
	{"refused.line", "name the line with --line; it is one of {choices}"},
	{"refused.line.none", "no line is named {line}; the daemon serves {choices}"},
	{"refused.arm.name", "arming needs the name of a person and a reason"},
	{"refused.override.name", "an override needs the name of a person and a reason in words"},
	{"refused.override.nothing", "an override changes at least one setpoint; name it with its value"},
	{"refused.override.number", "{setpoint}: got {value}, want a number"},
	{"refused.confirm.name", "a confirmation needs the name of a person"},
	{"refused.confirm.finding", "{finding} is no finding that a person can confirm"},
	{"refused.hang.name", "hanging a wrapper needs the name of a person"},
	{"refused.hang.slot", "the line has no slot {slot}; it has {choices}"},
	{"refused.hang.slot.none", "the line has no slot {slot}; it has none"},
	{"refused.hang.bare", "a slot that is {state} has no width, paper, diameter or length"},
	{"refused.hang.width", "the configuration lets no wrapper of {width} hang at slot {slot}; it allows {choices} (stand.slots, widths)"},
	{"refused.hang.paper", "the configuration lets no {paper} hang at slot {slot}; it allows {choices} (stand.slots, papers)"},
	{"refused.hang.outer", "a wrapper roll of {got} across is none: its core has {bore}, and none is larger than {limit}"},
	{"refused.hang.length", "the length is {length}; give a length above zero, or leave it out"},
	{"refused.stock.name", "counting heads needs the name of a person"},
	{"refused.stock.nothing", "no heads are named; give their material, size and count"},
	{"refused.stock.uncounted", "this line counts no heads; heads.counted in the configuration says whether it does"},
	{"refused.stock.material", "no head material is named {head}; it is one of {choices}"},
	{"refused.stock.size", "no head of {head} is {size} across; its sizes are {choices}"},
	{"refused.station.name", "changing a station needs the name of a person"},
	{"refused.station.none", "no station is named {station}; it is one of {choices}"},
	{"refused.station.other", "{station} is {mode} in the configuration; say manual for a while, or {mode} for as configured"},
	{"refused.station.unpowered", "{station} is {mode} in the configuration; only one that is semi or auto can be worked by hand for a while"},
	{"refused.station.over", "the time until which {station} is worked by hand is over"},
	{"refused.restart.name", "a restart needs the name of a person"},
	{"refused.correct.name", "a correction needs the name of a person and what is right"},
	{"refused.correct.record", "the journal has no record {number}; its newest is {greatest}"},
	{"refused.accept-journal.name", "accepting a journal needs the name of a person and a reason"},
	{"refused.register-journal.name", "registering a journal anew needs the name of a person and a reason"},
	{"refused.register-journal.none", "its journal is sent to no engine"},
	{"refused.alarm.name", "it needs the name of a person"},
	{"refused.alarm.none", "there is no alarm {alarm}; the list of alarms names those that stand"},
	{"refused.alarm.reason", "{alarm} is {state} for a reason: give it"},
	{"refused.alarm.past", "the end of the shelf, {at}, has passed"},
	{"refused.alarm.shift", "a shelf ends with the shift at the latest, at {at}; the next shift decides anew"},
	{"refused.alarm.act", "{what} is nothing that a person does to an alarm"},
	{"refused.pair", "this daemon is not one of a pair; engine.pair in the configuration says whether it is"},
	{"refused.takeover.name", "taking a line over needs the name of a person and a reason"},
}

var misused = func() map[string]bool {
	out := map[string]bool{}
	for _, e := range misuses {
		out[e.Key] = true
	}
	return out
}()

// Misuse reports whether what is said, or anything told in it, is that a command is to be given
// otherwise.
func (s Said) Misuse() bool {
	if misused[s.Key] {
		return true
	}
	for i := range s.Args {
		if said := s.Args[i].Said; said != nil && said.Misuse() {
			return true
		}
	}
	return false
}

// Misuse reports whether an error, or any of those that were joined, is a Refusal by which a
// command is to be given otherwise.
func Misuse(err error) bool {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, one := range joined.Unwrap() {
			if Misuse(one) {
				return true
			}
		}
		return false
	}
	var r *Refusal
	return errors.As(err, &r) && (r.said.Misuse() || Misuse(r.cause))
}
