package bench

import (
	"fmt"
	"strconv"
	"strings"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

// The acts, each with its caution. What a roll is to be entered with is added to the
// text of bring.
var (
	actLeave = conform.NewAct("leave-maintenance", "Look once more that nothing is connected that can move. Then leave maintenance: choose produce, with the station empty.",
		caution.NipPoints, caution.Pressure, caution.Platens)
	actReturn   = conform.NewAct("maintenance", "Put the line back into maintenance.", caution.NipPoints, caution.Pressure)
	actBring    = conform.NewAct("bring", "Let a roll come to the station and be measured, with sensors that are simulated:", caution.RollsMove, caution.NipPoints)
	actFinish   = conform.NewAct("finish", "A recipe was accepted. Do not start anything. Let the line report the roll as wrapped.", caution.NipPoints, caution.Platens)
	actAbort    = conform.NewAct("abort", "A recipe was accepted. Do not start anything. Report an abort, take the roll away, or its sensor off, and answer where it is asked that none lies there.", caution.NipPoints, caution.RollsMove)
	actRemove   = conform.NewAct("remove", "Take the roll away, or its sensor off, for longer than GONE_TIME.", caution.RollsMove)
	actPutRight = conform.NewAct("put-right", "The roll is held. Put right what holds it, then press retry.", caution.NipPoints)
	actPermit   = conform.NewAct("permissive-on", "Give back the permissive that was taken away.", caution.NipPoints)
)

// Acts lists every act that a person at a bench is asked for.
func Acts() []conform.Act {
	return []conform.Act{actLeave, actBring, actFinish, actAbort, actRemove, actPutRight, actPermit, actReturn}
}

// bring is the act by which a roll of a step comes.
func bring(line *recipe.Line, s *acceptance.Step, tag string) conform.Act {
	r, a := &s.Roll, actBring
	enter := []string{
		"tag " + tag, "diameter " + line.Write(r.Diameter, quantity.Length), "width " + line.Write(r.Width, quantity.Length),
	}
	add := func(given bool, name, value string) {
		if given {
			enter = append(enter, name+" "+value)
		}
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
	add(r.Grade > 0, "grade", strconv.Itoa(r.Grade))
	add(r.Core > 0, "core", strconv.Itoa(r.Core))
	add(r.Ovality > 0, "ovality", number(r.Ovality))
	add(r.Taper > 0, "taper", number(r.Taper))
	add(r.Telescoping > 0, "telescoping", line.Write(r.Telescoping, quantity.Length))
	add(r.Quality > 0, "quality of the scan", number(100*r.Quality)+" %")
	add(r.ScanAge > 0, "age of the scan", line.Write(r.ScanAge, quantity.Time))
	if r.Permissive > 0 {
		enter = append(enter, fmt.Sprintf("with permissive %d taken away before (bit %d)", r.Permissive, r.Permissive-1))
	}
	a.Text = fmt.Sprintf("%s %s (step %s).", a.Text, strings.Join(enter, ", "), s.Name)
	a.Roll = tag
	return a
}

// next is what is done with a roll after a verdict, so that the step comes to the end
// that it expects.
func next(s *acceptance.Step, v handshake.Verdict) conform.Act {
	switch wanted := s.Expected.Outcome; {
	case v == handshake.Accepted && wanted == handshake.Aborted.String():
		return actAbort
	case v == handshake.Accepted:
		return actFinish
	case v == handshake.HeldVerdict && wanted == handshake.Wrapped.String():
		return actPutRight
	}
	return actRemove
}

// NotPlayed tells why a step cannot be run at a bench, empty where it can.
func NotPlayed(s *acceptance.Step) string {
	switch e := &s.Expected; {
	case s.Fault != (acceptance.FaultName{}):
		return "only the simulator plays the fault " + s.Fault.String()
	case e.Verdict == acceptance.Noticed:
		return "only the simulator does the work from which a fault of the process is noticed"
	case e.Judged == acceptance.Good || e.Judged == acceptance.Bad:
		return "only the simulator judges a wrap"
	case e.Outcome != "" && e.Outcome != handshake.Wrapped.String() && e.Outcome != handshake.Removed.String() && e.Outcome != handshake.Aborted.String():
		return "only the simulator plays the outcome " + e.Outcome
	}
	return ""
}
