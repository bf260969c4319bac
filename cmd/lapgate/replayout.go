package main

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// replayAbout says what was replayed.
type replayAbout struct {
	Rolls   string             `json:"rolls_from"`
	Line    string             `json:"line"`
	Config  string             `json:"config"`
	Hash    replay.ConfigHash  `json:"config_hash"`
	Old     string             `json:"old_config,omitempty"`
	OldHash *replay.ConfigHash `json:"old_config_hash,omitempty"`
}

// replayText prints the summary and the first changed rolls for people.
type replayText struct {
	w     io.Writer
	about *replayAbout
	line  *recipe.Line
	most  int
	rolls []string
}

func (t *replayText) add(d *replay.Difference) error {
	if len(t.rolls) < t.most {
		t.rolls = append(t.rolls, t.roll(d))
	}
	return nil
}

func (t *replayText) roll(d *replay.Difference) string {
	var b strings.Builder
	b.WriteString("  " + caseName(d.Case) + ":")
	sep := " "
	part := func(format string, args ...any) {
		b.WriteString(sep)
		fmt.Fprintf(&b, format, args...)
		sep = "; "
	}
	if d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason {
		part("%s → %s", sideText(d.Old), sideText(d.New))
	}
	for i := range d.Changes {
		c := &d.Changes[i]
		f := c.Field
		part("%s %s → %s", f.Label, t.value(f, c.Old), t.value(f, c.New))
		if raw, ok := c.Amount(); ok {
			fmt.Fprintf(&b, " (%s)", wireChange(replay.Scaled(raw, f.Scale), f.Unit, t.line))
		}
	}
	for _, s := range d.Appeared {
		part("+%s (%s)", s.Code, s.Field)
	}
	for _, s := range d.Gone {
		part("−%s (%s)", s.Code, s.Field)
	}
	return b.String()
}

func (t *replayText) value(f *replay.Field, v replay.Value) string {
	switch {
	case !v.InForce:
		return "none"
	}
	return f.Write(t.line, replay.Scaled(v.Raw, f.Scale))
}

func sideText(s *replay.Side) string {
	if s.Held {
		return fmt.Sprintf("hold (%s)", s.Reason)
	}
	return "go"
}

// caseName names a request for people.
func caseName(c *replay.Case) string {
	if c.Number == 0 {
		return "roll " + c.Tag
	}
	return fmt.Sprintf("roll %d %s, request %d", c.Number, c.Tag, c.Request.Token.Req)
}

func (t *replayText) end(s *replay.Summary) error {
	b := bufio.NewWriter(t.w)
	fmt.Fprintf(b, "%s through %s (%s), line %s\n", t.about.Rolls, t.about.Config, t.about.Hash, t.about.Line)
	switch {
	case t.about.OldHash != nil:
		fmt.Fprintf(b, "against %s (%s)\n", t.about.Old, *t.about.OldHash)
	default:
		fmt.Fprint(b, "against what was recorded under")
		for i, c := range s.RecordedUnder {
			fmt.Fprintf(b, "%s %s: %d", comma(i), c.Hash, c.Count)
		}
		fmt.Fprintln(b)
	}
	fmt.Fprintf(b, "%d requests of %d rolls", s.Requests, s.Rolls)
	if n := s.Requests - s.Compared; n > 0 {
		fmt.Fprintf(b, ", %d not compared: %d by a person, %d without a recorded recipe", n, s.Overridden, s.Unrecorded)
		if s.Unknown > 0 {
			fmt.Fprintf(b, ", %d whose record, of an earlier version, lacks the flags of the controller that would decide", s.Unknown)
		}
	}
	fmt.Fprintf(b, "\n%d changed: %d recipes, %d new holds, %d lifted holds, %d held for another reason\n",
		s.Changed, s.Setpoints, s.NewHolds, s.Lifted, s.OtherReason)
	fmt.Fprintf(b, "%d holds before, %d after\n", s.HoldsBefore, s.HoldsAfter)
	if len(s.Fields) > 0 {
		fmt.Fprintln(b)
		w := tabwriter.NewWriter(b, 0, 8, 2, ' ', 0)
		fmt.Fprintln(w, "setpoint\tchanged\tleast\tmedian\tgreatest\tcame\twent")
		for _, f := range s.Fields {
			least, median, greatest := "-", "-", "-"
			if c := f.Spread; c != nil {
				least, median, greatest = wireChange(c.Min, f.Unit, t.line), wireChange(c.Median, f.Unit, t.line), wireChange(c.Max, f.Unit, t.line)
			}
			fmt.Fprintf(w, "%s\t%d\t%s\t%s\t%s\t%d\t%d\n", f.Label, f.Changed, least, median, greatest, f.Came, f.Went)
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	for _, list := range []struct {
		title string
		codes []replay.CodeCount
	}{{"findings that appear", s.Appeared}, {"findings that disappear", s.Gone}} {
		if len(list.codes) == 0 {
			continue
		}
		fmt.Fprintf(b, "\n%s\n", list.title)
		w := tabwriter.NewWriter(b, 0, 8, 2, ' ', 0)
		for _, c := range list.codes {
			fmt.Fprintf(w, "  %s\t%d\n", c.Code, c.Count)
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	if len(t.rolls) > 0 {
		fmt.Fprintf(b, "\nchanged rolls, %d of %d\n%s\n", len(t.rolls), s.Changed, strings.Join(t.rolls, "\n"))
	}
	return b.Flush()
}

func comma(i int) string {
	if i == 0 {
		return ""
	}
	return ","
}

// replayCSV prints a line for each change of each roll.
type replayCSV struct{ w *csv.Writer }

func newReplayCSV(w io.Writer) *replayCSV {
	c := &replayCSV{csv.NewWriter(w)}
	// An error stays in the writer until its end.
	_ = c.w.Write([]string{"roll_no", "roll", "boot_id", "req_id", "what", "name", "unit", "old", "new", "change"})
	return c
}

func (c *replayCSV) add(d *replay.Difference) error {
	k := d.Case
	line := func(rest ...string) {
		_ = c.w.Write(append([]string{
			strconv.FormatUint(uint64(k.Number), 10), k.Tag,
			strconv.FormatUint(uint64(k.Request.Token.Boot), 10), strconv.FormatUint(uint64(k.Request.Token.Req), 10),
		}, rest...))
	}
	if d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason {
		line("verdict", "", "", sideText(d.Old), sideText(d.New), "")
	}
	for i := range d.Changes {
		h := &d.Changes[i]
		amount := ""
		if raw, ok := h.Amount(); ok {
			amount = csvNumber(replay.Scaled(raw, h.Field.Scale))
		}
		line("setpoint", h.Field.Name, h.Field.Unit, csvValue(h.Field, h.Old), csvValue(h.Field, h.New), amount)
	}
	for _, s := range d.Appeared {
		line("finding", string(s.Code), "", "", s.Field, "")
	}
	for _, s := range d.Gone {
		line("finding", string(s.Code), "", s.Field, "", "")
	}
	return c.w.Error()
}

func (c *replayCSV) end(*replay.Summary) error {
	c.w.Flush()
	return c.w.Error()
}

// csvValue is empty for what is not in force.
func csvValue(f *replay.Field, v replay.Value) string {
	if !v.InForce {
		return ""
	}
	return csvNumber(replay.Scaled(v.Raw, f.Scale))
}

func csvNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// replayJSON prints one object; its rolls stand one a line, so that a long
// list is neither held nor hard to cut.
type replayJSON struct {
	w     *bufio.Writer
	rolls int
}

// replayRoll is one changed roll in JSON.
type replayRoll struct {
	Number    uint32           `json:"roll_no,omitempty"`
	Tag       string           `json:"roll"`
	Token     *handshake.Token `json:"request,omitempty"`
	Old       replaySide       `json:"old"`
	New       replaySide       `json:"new"`
	Setpoints []replayValue    `json:"setpoints"`
	Appeared  []replay.Sign    `json:"findings_appeared"`
	Gone      []replay.Sign    `json:"findings_gone"`
}

type replaySide struct {
	Verdict string               `json:"verdict"`
	Reason  handshake.HoldReason `json:"hold_reason,omitempty"`
	Text    string               `json:"hold_reason_text,omitempty"`
}

type replayValue struct {
	Name   string   `json:"setpoint"`
	Unit   string   `json:"unit,omitempty"`
	Old    *float64 `json:"old"` // null when not in force
	New    *float64 `json:"new"`
	Change *float64 `json:"change,omitempty"`
}

func newReplayJSON(w io.Writer, about *replayAbout) (*replayJSON, error) {
	head, err := json.Marshal(about)
	if err != nil {
		return nil, err
	}
	j := &replayJSON{w: bufio.NewWriter(w)}
	// An error stays in the writer until its end.
	fmt.Fprintf(j.w, "{\n\"about\": %s,\n\"rolls\": [", head)
	return j, nil
}

func (j *replayJSON) add(d *replay.Difference) error {
	r := replayRoll{
		Number: d.Case.Number, Tag: d.Case.Tag, Old: jsonSide(d.Old), New: jsonSide(d.New),
		Setpoints: []replayValue{}, Appeared: d.Appeared, Gone: d.Gone,
	}
	if d.Case.Number != 0 {
		r.Token = &d.Case.Request.Token
	}
	if r.Appeared == nil {
		r.Appeared = []replay.Sign{}
	}
	if r.Gone == nil {
		r.Gone = []replay.Sign{}
	}
	for i := range d.Changes {
		c := &d.Changes[i]
		v := replayValue{Name: c.Field.Name, Unit: c.Field.Unit, Old: jsonValue(c.Field, c.Old), New: jsonValue(c.Field, c.New)}
		if raw, ok := c.Amount(); ok {
			amount := replay.Scaled(raw, c.Field.Scale)
			v.Change = &amount
		}
		r.Setpoints = append(r.Setpoints, v)
	}
	text, err := json.Marshal(&r)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(j.w, "%s\n%s", comma(j.rolls), text)
	j.rolls++
	return err
}

func (j *replayJSON) end(s *replay.Summary) error {
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return err
	}
	fmt.Fprintf(j.w, "\n],\n\"summary\": %s\n}\n", text)
	return j.w.Flush()
}

func jsonSide(s *replay.Side) replaySide {
	out := replaySide{Verdict: s.Verdict(), Reason: s.Reason}
	if s.Held {
		out.Text = s.Reason.String()
	}
	return out
}

func jsonValue(f *replay.Field, v replay.Value) *float64 {
	if !v.InForce {
		return nil
	}
	x := replay.Scaled(v.Raw, f.Scale)
	return &x
}
