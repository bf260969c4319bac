package tags

import (
	"slices"
	"strconv"
	"strings"
)

// Guarantee is one statement of the handshake that a mapping can give up.
type Guarantee struct {
	Name string // S1 to S10
	Text string
}

// Guarantees lists the statements, in the words of the protocol.
func Guarantees() []Guarantee {
	texts := [...]string{
		"an accepted recipe was computed from the measurement of the roll that is at the station now",
		"one roll accepts at most one offer",
		"one offer is accepted at most once",
		"nothing is accepted that the journal did not hold before it was sent",
		"the controller forgets an outcome only after the journal holds it",
		"the journal says accepted or held only where the controller did so",
		"nothing is accepted under a session older than the newest one adopted",
		"nothing is accepted while a permissive is off",
		"nothing is accepted later than COMMIT_TTL after the gateway last saw the request",
		"every roll number is in the journal, as a record or inside a gap record",
	}
	out := make([]Guarantee, len(texts))
	for i, t := range texts {
		out[i] = Guarantee{"S" + strconv.Itoa(i+1), t}
	}
	return out
}

// Rest is what a guarantee rests on: a field whose tag is missing breaks it.
type Rest struct {
	Field   string
	Breaks  []string // guarantees by name; none where only a stand-in is assumed
	Why     string   // what cannot be seen without it
	StandIn string   // what the gateway takes instead
}

// Rests is the table of the fields on which guarantees rest, in the order of
// the blocks.
func Rests() []Rest {
	return []Rest{
		{"request.gen_head", []string{"S1", "S6"}, "a view caught while it is written is not told from a whole one", "the request is read twice and must not differ; each reading counts as a publication"},
		{"request.boot_id", []string{"S7", "S10"}, "a restart of the controller is not seen", "what stands in hello.boot_id"},
		{"request.tick", []string{"S1", "S9"}, "a stopped program looks like a running one", "the gateway's own clock"},
		{"request.active_epoch", []string{"S7"}, "whom the controller serves is not seen", "what stands in hello.epoch"},
		{"request.active_nonce", []string{"S7"}, "two sessions of the same epoch are not told apart", "what stands in hello.nonce"},
		{"request.epoch_floor", []string{"S7"}, "a controller without retained memory can adopt an old session", "what stands in hello.epoch"},
		{"request.flags.bit1", []string{"S10"}, "a loss of the controller's memory is not told", "memory not lost"},
		{"request.flags.bit5", []string{"S1"}, "a measurement that is not valid looks valid", "dimensions valid"},
		{"request.permissives", []string{"S8"}, "a permissive that is off is not seen", "all on"},
		{"request.result_offer", []string{"S2", "S6"}, "the verdict of the controller is guessed from its phase", "accepted in phase run, held in phase held"},
		{"request.result_epoch", []string{"S6"}, "a verdict on an offer of an older session counts for this one", "the active session"},
		{"request.result_nonce", []string{"S6"}, "a verdict on an offer of another session counts for this one", "the active session"},
		{"request.outcomes_produced", []string{"S10"}, "a roll whose outcome is not shown yet looks as if it had none", "the index of the outcome shown"},
		{"request.scan_quality", nil, "a poor scan looks good", "100 %"},
		{"request.scan_age", nil, "an old scan looks new", "0 s"},
		{"request.unit_mode", nil, "maintenance and manual are not seen", "produce"},
		{"request.unit_state", nil, "a stopped unit is not seen", "execute"},
		{"request.slots_ready", nil, "an empty slot looks ready", "every slot ready"},
		{"outcome.out_idx", []string{"S5", "S6", "S10"}, "how a roll left the station is not known", "no outcomes"},
		{"heartbeat.count", nil, "the controller cannot see that the gateway lives", "the gateway counts as alive"},
		{"hello.epoch", []string{"S7"}, "the controller cannot refuse an old session", "none"},
		{"hello.nonce", []string{"S7"}, "the controller cannot tell two gateways apart", "none"},
		{"hello.boot_id", []string{"S7"}, "a session for an earlier start of the controller is adopted", "none"},
		{"commit.epoch", []string{"S3", "S4", "S7"}, "a commit of an older session is taken for one of this", "none"},
		{"commit.nonce", []string{"S4", "S7"}, "a commit of another gateway is taken for one of this", "none"},
		{"commit.req_id", []string{"S1", "S2"}, "a commit for an earlier request is taken for one of this", "none"},
		{"commit.payload_crc", []string{"S1", "S4"}, "a payload that is damaged, or mixed of two, is accepted", "none"},
		{"commit.tick", []string{"S9"}, "a late commit is taken for a fresh one", "none"},
		{"ack.up_to", []string{"S5"}, "the controller is not told that an outcome is durable", "none"},
	}
}

// scratch pairs a field of the controller that may lack a tag with the field
// that the gateway wrote and reads back in its place. The controller must at
// least keep what was written there.
func scratch() [][2]string {
	return [][2]string{
		{"request.boot_id", "hello.boot_id"},
		{"request.active_epoch", "hello.epoch"},
		{"request.active_nonce", "hello.nonce"},
		{"request.epoch_floor", "hello.epoch"},
	}
}

// Missing lists the rows of the table whose field has no tag.
func (m *Mapping) Missing() []Rest {
	var out []Rest
	for _, r := range Rests() {
		whole := r.Field
		if i := strings.LastIndex(whole, ".bit"); i >= 0 {
			whole = whole[:i]
		}
		_, have := m.Of(r.Field)
		if _, all := m.Of(whole); !have && !all && !(r.Field == "request.permissives" && m.has(r.Field)) {
			out = append(out, r)
		}
	}
	return out
}

// Loss is one guarantee that a mapping does not give.
type Loss struct {
	Guarantee Guarantee
	Missing   []string // fields without a tag on which it rests
	Why       []string // what cannot be seen without each
}

// Losses lists the guarantees that the mapping does not give, waived or not.
func (m *Mapping) Losses() []Loss {
	var out []Loss
	missing := m.Missing()
	for _, g := range Guarantees() {
		l := Loss{Guarantee: g}
		for _, r := range missing {
			if slices.Contains(r.Breaks, g.Name) {
				l.Missing = append(l.Missing, r.Field)
				l.Why = append(l.Why, r.Why)
			}
		}
		if len(l.Missing) > 0 {
			out = append(out, l)
		}
	}
	return out
}

func (m *Mapping) checkGuarantees() []Problem {
	var bad []Problem
	losses := m.Losses()
	for _, l := range losses {
		if !slices.Contains(m.Waived, l.Guarantee.Name) {
			bad = append(bad, Problem{-1, "waive", l.Guarantee.Name + " is not given: " + l.Guarantee.Text,
				"no tag for " + strings.Join(l.Missing, ", "), "a tag for each, or " + l.Guarantee.Name + " in waive",
				"add the tags; where the controller has none, write " + l.Guarantee.Name + " into waive"})
		}
	}
	for _, w := range m.Waived {
		if !slices.ContainsFunc(losses, func(l Loss) bool { return l.Guarantee.Name == w }) {
			bad = append(bad, Problem{-1, "waive", "a guarantee is waived that the tags give", w, "only what is not given", "remove it"})
		}
	}
	for _, s := range scratch() {
		if !m.has(s[0]) && !m.has(s[1]) {
			bad = append(bad, Problem{-1, "tags", "the controller keeps nothing of a session", "no tag for " + s[0] + " nor " + s[1], "one of them at least", "add " + s[1] + ", a plain variable that the gateway writes and reads back"})
		}
	}
	return bad
}
