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
	v := View{Seq: s.Seq, At: s.At, Kind: s.Record.Kind(), Roll: s.Record.RollNo(), What: summary(s.Record, line)}
	var err error
	if v.Record, err = inSI(s.Record); err != nil {
		return View{}, fmt.Errorf("record %d: %w", s.Seq, err)
	}
	return v, nil
}

// Text says in a few words what a record tells, where nothing beside it names its
// kind. line gives the units.
func Text(r Record, line *recipe.Line) string {
	what := summary(r, line)
	switch r.(type) {
	case Config:
		return "configuration " + what
	case Hold:
		return "hold of every roll " + what
	case Gap:
		return "gap: " + what
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

// summary says in a few words what a record holds.
func summary(r Record, line *recipe.Line) string {
	switch r := r.(type) {
	case Session:
		return fmt.Sprintf("session %d, boot %d, cause: %s", r.Session.Epoch, r.Boot, r.Cause)
	case Request:
		return fmt.Sprintf("request %d: %s, %s × %s", r.Token.Req, r.Measured.Tag,
			line.Write(r.Measured.Diameter, quantity.Length), line.Write(r.Measured.Width, quantity.Length))
	case Intent:
		if r.Form == handshake.KindHold {
			return fmt.Sprintf("offer %s: hold: %s (%d)%s", r.Offer, r.HoldReason, r.HoldReason, codesOf(r.Findings))
		}
		return fmt.Sprintf("offer %s: %s", r.Offer, r.Form)
	case Commit:
		return fmt.Sprintf("offer %s", r.Offer)
	case Verdict:
		return verdictText(&r)
	case Void:
		return fmt.Sprintf("offer %s: void, %s", r.Offer, r.Evidence)
	case Outcome:
		return fmt.Sprintf("outcome %d: %s", r.Outcome.Index, r.Outcome.Outcome)
	case Gap:
		return gapText(&r)
	case Hold:
		return fmt.Sprintf("%s by %s: %s", onOff(r.On), person(r.By, r.User), r.Reason)
	case Override:
		return fmt.Sprintf("by %s, reason code %d: %s", person(r.By, r.User), r.Reason, r.Text)
	case Confirm:
		return fmt.Sprintf("%s by %s: %s", r.Finding, person(r.By, r.User), r.Text)
	case Hang:
		return hangText(&r, line)
	case Hung:
		return fmt.Sprintf("act %d at slot %d: %s, %s", r.No, r.Slot, r.Step, r.Evidence)
	case Heads:
		return fmt.Sprintf("%d heads of %s, %s across, by %s", r.Count, r.Material, line.Write(r.Diameter, quantity.Length), person(r.By, r.User))
	case Station:
		return stationText(&r)
	case Mode:
		return fmt.Sprintf("writing %s by %s: %s", onOff(r.Armed), person(r.By, r.User), r.Reason)
	case Config:
		return fmt.Sprintf("%s, %s", handshake.ConfigHash(r.Hash), changesText(len(r.Changes)))
	case Frame:
		return fmt.Sprintf("%s of case %s, %d registers", r.Block, r.Case, len(r.Words))
	case Origin:
		return fmt.Sprintf("journal of line %s, installation %s", r.Line, r.Installation)
	case Carry:
		return fmt.Sprintf("carried over: outcomes up to %d, rolls up to %d", r.Past.Outcomes, r.Past.Covered)
	case Doubt:
		return strings.Join(r.Doubts, "; ")
	case Accept:
		return fmt.Sprintf("journal accepted by %s: %s", person(r.By, r.User), r.Reason)
	case Correction:
		return fmt.Sprintf("record %d is wrong, by %s: %s", r.Seq, person(r.By, r.User), r.Reason)
	case Alarm:
		return r.text()
	case Published:
		return fmt.Sprintf("records up to %d sent onward by %s", r.UpTo, r.To)
	case Shadow:
		return fmt.Sprintf("%s: would be %s%s", r.Tag, r.Verdict, codesOf(r.Findings))
	}
	return ""
}

// gapText names what a gap covers, and no end that is not known.
func gapText(r *Gap) string {
	var of []string
	for _, g := range []struct {
		one, more string
		from, to  uint32
	}{{"outcome", "outcomes", r.FromIndex, r.ToIndex}, {"roll", "rolls", r.FromRoll, r.ToRoll}} {
		switch {
		case g.from == 0 && g.to == 0:
		case g.from == g.to:
			of = append(of, fmt.Sprintf("%s %d", g.one, g.from))
		case g.to == 0:
			of = append(of, fmt.Sprintf("%s from %d on", g.more, g.from))
		default:
			of = append(of, fmt.Sprintf("%s %d to %d", g.more, g.from, g.to))
		}
	}
	if r.Closed != nil {
		of = append(of, "offer "+r.Closed.String())
	}
	if of == nil {
		return r.Cause
	}
	return strings.Join(of, ", ") + ": " + r.Cause
}

func verdictText(r *Verdict) string {
	s := fmt.Sprintf("offer %s: %s", r.Offer, handshake.VerdictText(r.Verdict, r.Reason))
	if r.Settled {
		s += ", learnt after a break"
	}
	return s
}

func stationText(r *Station) string {
	s := fmt.Sprintf("%s: %s by %s", r.Station, r.Mode, person(r.By, r.User))
	if r.Reason != "" {
		s += ": " + r.Reason
	}
	return s
}

func changesText(n int) string {
	if n == 1 {
		return "1 change"
	}
	return fmt.Sprintf("%d changes", n)
}

func hangText(r *Hang, line *recipe.Line) string {
	s := fmt.Sprintf("act %d at slot %d: %s", r.No, r.Slot, r.State)
	if r.State == Hangs {
		s += fmt.Sprintf(" %s of %s", line.Write(r.Width, quantity.Length), r.Paper)
	}
	if r.Corrects != 0 {
		s += fmt.Sprintf(", corrects act %d", r.Corrects)
	}
	return s + ", by " + r.By
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
func person(by, user string) string {
	if user == "" || user == by {
		return by
	}
	return by + " (user " + user + ")"
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}
