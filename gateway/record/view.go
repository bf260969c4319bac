package record

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// View is a record as people and other programs read it: in SI with the unit in
// the name, words in place of numbers, and setpoints in place of the words of a
// block. The stored form stays as it is, for the hashes are over it.
type View struct {
	Seq    uint64    `json:"seq" label:"record"`
	At     time.Time `json:"at"`
	Kind   Kind      `json:"kind"`
	Roll   uint32    `json:"roll_no,omitempty" label:"roll"`
	What   string    `json:"-" label:"what"` // in a few words beside its kind, in the units of the line
	Record any       `json:"record" label:"as recorded"`
}

// ViewOf makes the view of a record. line gives the units of What.
func ViewOf(s Stored, line *recipe.Line) (View, error) {
	v := View{Seq: s.Seq, At: s.At, Kind: s.Record.Kind(), Roll: s.Record.RollNo(), What: summary(s.Record, line).String()}
	var err error
	if v.Record, err = inSI(s.Record); err != nil {
		return View{}, fmt.Errorf("record %d: %w", s.Seq, err)
	}
	return v, nil
}

// SaidOf says in a few words what a record tells, where nothing beside it names its
// kind. line gives the units.
func SaidOf(r Record, line *recipe.Line) wording.Said {
	what := summary(r, line)
	switch r.(type) {
	case Config:
		return wording.Say("record.config.named", "what", what)
	case Hold:
		return wording.Say("record.hold.named", "what", what)
	case Gap:
		return wording.Say("record.gap.named", "what", what)
	}
	return what
}

// Member is one named value of a block.
type Member struct {
	Name  string // with its SI unit
	Value any
}

// Members are the values of a block in the order of its registers.
type Members []Member

// MarshalJSON writes an object.
func (m Members) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for i, one := range m {
		text, err := json.Marshal(one.Value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", one.Name, err)
		}
		if i > 0 {
			out = append(out, ',')
		}
		out = fmt.Appendf(out, "%q:%s", one.Name, text)
	}
	return append(out, '}'), nil
}

// hidden takes the place of a stored member that a view has in another form.
type hidden *struct{}

// inSI is what a view has of a record.
func inSI(r Record) (any, error) {
	switch r := r.(type) {
	case Request:
		return struct {
			Request
			Diameters hidden    `json:"diameters_dmm,omitempty"`
			Widths    hidden    `json:"widths_dmm,omitempty"`
			Diameter  hidden    `json:"diameter_dmm,omitempty"`
			Width     hidden    `json:"width_dmm,omitempty"`
			Stand     stand     `json:"stand"`
			D         []float64 `json:"diameters_m"`
			W         []float64 `json:"widths_m"`
			OwnD      float64   `json:"diameter_m,omitempty" label:"diameter, of the controller"`
			OwnW      float64   `json:"width_m,omitempty" label:"width, of the controller"`
		}{
			Request: r, Stand: standOf(&r.Stand),
			D: inMetres("diameter_samples", r.Diameters...), W: inMetres("width_samples", r.Widths...),
			OwnD: inMetres("diameter", r.Diameter)[0], OwnW: inMetres("width", r.Width)[0],
		}, nil
	case Intent:
		points, err := setpointsOf(r.Payload)
		return struct {
			Intent
			ConfigHash handshake.ConfigHash `json:"config_hash"`
			Payload    hidden               `json:"payload,omitempty"`
			Points     recipe.Values        `json:"setpoints,omitempty"`
		}{Intent: r, ConfigHash: handshake.ConfigHash(r.ConfigHash), Points: points}, err
	case Shadow:
		points, err := setpointsOf(r.Payload)
		return struct {
			Shadow
			Payload hidden        `json:"payload,omitempty"`
			Points  recipe.Values `json:"setpoints,omitempty"`
		}{Shadow: r, Points: points}, err
	case Verdict:
		return struct {
			Verdict
			Reason hidden `json:"reason,omitempty"`
			Why    string `json:"reason_word,omitempty" label:"reason"`
		}{Verdict: r, Why: reasonWord(r.Verdict, r.Reason)}, nil
	case Outcome:
		return outcomeInSI(&r)
	case Override:
		return struct {
			Override
			Old Members `json:"old"`
			New Members `json:"new"`
		}{Override: r, Old: inOrder(r.Old), New: inOrder(r.New)}, nil
	case Config:
		return struct {
			Config
			Hash handshake.ConfigHash `json:"hash"`
		}{Config: r, Hash: handshake.ConfigHash(r.Hash)}, nil
	}
	return r, nil
}

// stand is the stand with what is left on its wrapper rolls, by consumption,
// and with mode and state of the unit by their names.
type stand struct {
	recipe.Stand
	Mode    string    `json:"mode"`
	State   string    `json:"state"`
	Counted []counted `json:"counted,omitempty" label:"left by consumption"`
}

type counted struct {
	Slot   int     `json:"slot"`
	Length float64 `json:"length_m"`
	U      float64 `json:"length_u_m" label:"u"`
}

func standOf(s *recipe.Stand) stand {
	out := stand{Stand: *s, Mode: handshake.ModeName(uint16(s.Mode)), State: handshake.StateName(uint16(s.State))}
	for i, e := range s.Counted {
		if e.Known {
			out.Counted = append(out.Counted, counted{i + 1, e.Length, e.U})
		}
	}
	return out
}

func reasonWord(v handshake.Verdict, reason uint16) string {
	if reason == 0 {
		return ""
	}
	return handshake.VerdictReason(v, reason)
}

// inMetres converts numbers of a field of the request block.
func inMetres[T uint16 | uint32](field string, raw ...T) []float64 {
	f := handshake.FieldOf(handshake.REQ, field)
	out := make([]float64, len(raw))
	for i, n := range raw {
		out[i] = f.SI(int64(n))
	}
	return out
}

// setpointsOf are the setpoints in force that the words of a payload tell;
// none of a hold.
func setpointsOf(words []uint16) (recipe.Values, error) {
	if len(words) == 0 {
		return nil, nil
	}
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(words, &p); err != nil {
		return nil, err
	}
	if p.Kind == handshake.KindHold {
		return nil, nil
	}
	s := SetpointsOf(&p)
	var out recipe.Values
	for _, v := range s.InForce() {
		if !v.Derived {
			out = append(out, v)
		}
	}
	return out, nil
}

func outcomeInSI(r *Outcome) (any, error) {
	words := make([]uint16, handshake.OutWords)
	if err := r.Outcome.Encode(words); err != nil {
		return nil, err
	}
	var out Members
	for _, f := range handshake.Fields(handshake.OUT) {
		switch n := f.Number(words); {
		case f.Name == "type" || f.Name == "layout" || f.Name == "crc":
		case f.Name == "outcome":
			out = append(out, Member{f.Name, r.Outcome.Outcome})
		case f.Scale != 1 || f.Unit != "":
			if n != 0 { // 0 says that it was not reported
				out = append(out, Member{f.SIName(), f.SI(n)})
			}
		default:
			out = append(out, Member{f.Name, n})
		}
	}
	return struct {
		Outcome  Members   `json:"outcome"`
		Weighing *Weighing `json:"weighing,omitempty"`
	}{out, r.Weighing}, nil
}

// inOrder lists setpoints by name in the order of their table, then any that
// are not in it.
func inOrder(values map[string]float64) Members {
	out := Members{}
	for _, p := range recipe.AllSetpoints() {
		if v, ok := values[p.Name]; ok {
			out = append(out, Member{p.Name, v})
		}
	}
	var others []string
	for name := range values {
		if recipe.FindSetpoint(name) == nil {
			others = append(others, name)
		}
	}
	slices.Sort(others)
	for _, name := range others {
		out = append(out, Member{name, values[name]})
	}
	return out
}

// summary says in a few words what a record holds. What only engineers read stays in
// English.
func summary(r Record, line *recipe.Line) wording.Said {
	plain := func(format string, args ...any) wording.Said { return wording.Plain(fmt.Sprintf(format, args...)) }
	switch r := r.(type) {
	case Session:
		if r.Other != nil {
			return plain("session %d, boot %d, cause: %s; of machine %s up to record %d", r.Session.Epoch, r.Boot, r.Cause, r.Other.Machine, r.Other.Seq)
		}
		return plain("session %d, boot %d, cause: %s", r.Session.Epoch, r.Boot, r.Cause)
	case Request:
		return plain("request %d: %s, %s × %s", r.Token.Req, r.Measured.Tag,
			line.Write(r.Measured.Diameter, quantity.Length), line.Write(r.Measured.Width, quantity.Length))
	case Intent:
		if r.Form == handshake.KindHold {
			return plain("offer %s: hold: %s (%d)%s", r.Offer, r.HoldReason, r.HoldReason, codesOf(r.Findings))
		}
		return plain("offer %s: %s", r.Offer, r.Form)
	case Commit:
		return plain("offer %s", r.Offer)
	case Verdict:
		return wording.Plain(verdictText(&r))
	case Void:
		return plain("offer %s: void, %s", r.Offer, r.Evidence)
	case Outcome:
		return plain("outcome %d: %s", r.Outcome.Index, r.Outcome.Outcome)
	case Override:
		return plain("by %s, reason code %d: %s", person(r.By, r.User), r.Reason, r.Text)
	case Confirm:
		return plain("%s by %s: %s", r.Finding, person(r.By, r.User), r.Text)
	case Frame:
		return plain("%s of case %s, %d registers", r.Block, r.Case, len(r.Words))
	case Origin:
		return plain("journal of line %s, installation %s", r.Line, r.Installation)
	case Carry:
		return plain("carried over: outcomes up to %d, rolls up to %d", r.Past.Outcomes, r.Past.Covered)
	case Published:
		return plain("records up to %d sent onward by %s", r.UpTo, r.To)
	case Shadow:
		return plain("%s: would be %s%s", r.Tag, r.Verdict, codesOf(r.Findings))
	}
	return summaryOfLine(r, line)
}

// summaryOfLine says what a record of the line as a whole holds: it stands on the page of
// each roll that came after it.
func summaryOfLine(r Record, line *recipe.Line) wording.Said {
	switch r := r.(type) {
	case Gap:
		return r.said()
	case Hold:
		return wording.Say("record.hold", "state", onOff(r.On), "by", person(r.By, r.User), "reason", r.Reason)
	case Hang:
		return r.said(line)
	case Hung:
		return wording.Say("record.hung", "act", r.No, "slot", r.Slot, "step", wording.Word("hang-step", string(r.Step)), "evidence", wording.Word("hung", r.Evidence))
	case Heads:
		return wording.Say("record.heads", "count", r.Count, "head", r.Material, "size", line.Write(r.Diameter, quantity.Length), "by", person(r.By, r.User))
	case Station:
		return r.said()
	case Mode:
		if r.Reason == "" {
			return wording.Say("record.mode.unsaid", "state", onOff(r.Armed), "by", person(r.By, r.User))
		}
		return wording.Say("record.mode", "state", onOff(r.Armed), "by", person(r.By, r.User), "reason", r.Reason)
	case Config:
		return r.said()
	case Doubt:
		return wording.Plain(strings.Join(r.Doubts, "; "))
	case Accept:
		return wording.Say("record.accept", "by", person(r.By, r.User), "reason", r.Reason)
	case Register:
		return wording.Say("record.register", "number", r.After, "by", person(r.By, r.User), "reason", r.Reason)
	case Correction:
		return wording.Say("record.correct", "number", r.Seq, "by", person(r.By, r.User), "reason", r.Reason)
	case Takeover:
		return wording.Say("record.takeover", "by", person(r.By, r.User), "reason", r.Reason)
	case Alarm:
		return r.said()
	}
	return wording.Said{}
}

// What a range is of.
const (
	sayOutcomes = "record.gap.outcomes"
	sayRolls    = "record.gap.rolls"
)

// said names a range of outcomes or rolls; an end of 0 is not known.
func (r Range) said(key string) wording.Said {
	switch {
	case r.From == r.To:
		return wording.Say(key+".one", "number", r.From)
	case r.To == 0:
		return wording.Say(key+".on", "from", r.From)
	}
	return wording.Say(key, "from", r.From, "to", r.To)
}

// said names what a gap covers, and no end that is not known.
func (r *Gap) said() wording.Said {
	var of []wording.Said
	if r.FromIndex != 0 || r.ToIndex != 0 {
		of = append(of, Range{r.FromIndex, r.ToIndex}.said(sayOutcomes))
	}
	if r.FromRoll != 0 || r.ToRoll != 0 {
		of = append(of, Range{r.FromRoll, r.ToRoll}.said(sayRolls))
	}
	if r.Closed != nil {
		of = append(of, wording.Say("record.gap.offer", "offer", r.Closed))
	}
	cause := wording.Word("gap", r.Cause)
	if of == nil {
		return cause
	}
	return wording.Say("record.gap", "what", wording.Join("list.comma", of), "cause", cause)
}

func verdictText(r *Verdict) string {
	s := fmt.Sprintf("offer %s: %s", r.Offer, handshake.VerdictText(r.Verdict, r.Reason))
	if r.Settled {
		s += ", learnt after a break"
	}
	return s
}

func (r *Station) said() wording.Said {
	s := wording.Say("record.station", "station", r.Station, "mode", wording.Word("station-mode", r.Mode), "by", person(r.By, r.User))
	if r.Reason != "" {
		s = wording.Say("record.why", "what", s, "why", r.Reason)
	}
	return s
}

func (r *Config) said() wording.Said {
	hash := handshake.ConfigHash(r.Hash)
	what := wording.Say("record.config.one", "hash", hash)
	if n := len(r.Changes); n != 1 {
		what = wording.Say("record.config", "hash", hash, "count", n)
	}
	if r.By == "" { // of a record by an earlier program
		return what
	}
	return wording.Say("record.config.by", "what", what, "by", person(r.By, r.User))
}

func (r *Hang) said(line *recipe.Line) wording.Said {
	s := wording.Word("slot-state", string(r.State))
	if r.State == Hangs {
		s = wording.Say("record.hang.hangs", "width", line.Write(r.Width, quantity.Length), "paper", r.Paper)
	}
	if r.Corrects != 0 {
		s = wording.Say("list.comma", "first", s, "rest", wording.Say("record.hang.corrects", "act", r.Corrects))
	}
	return wording.Say("record.hang", "act", r.No, "slot", r.Slot, "what", s, "by", r.By)
}

func codesOf(findings []recipe.Finding) string {
	var codes []string
	for _, f := range findings {
		if f.Severity == recipe.Hold {
			codes = append(codes, string(f.Code))
		}
	}
	if codes == nil {
		return ""
	}
	return " (" + strings.Join(codes, ", ") + ")"
}

// person names who did something: as they said, and as which user.
func person(by, user string) wording.Said {
	if user == "" || user == by {
		return wording.Plain(by)
	}
	return wording.Say("record.person", "by", by, "name", user)
}

func onOff(on bool) wording.Said {
	if on {
		return wording.Say("record.on")
	}
	return wording.Say("record.off")
}
