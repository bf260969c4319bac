package handbook

import (
	"bytes"
	"cmp"
	_ "embed" // for the parts
	"fmt"
	"html/template"
	"slices"
	"strings"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/plc"
	"lapgate/gateway/tags"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
)

//go:embed parts.html
var partsText string

// Entry is one code with what it means and what to do.
type Entry struct {
	ID      string // its anchor in the page: a finding and a condition may have one code
	Code    string
	Kind    string // what the entry is: hold, warning, condition, notice and so on
	Number  string // on the wire and at the panel; empty where it has none
	Meaning string
	Remedy  string // empty where nobody has to do anything
	Caution string // empty where no hand goes near the machine
	Passed  string // how a named person may pass a hold; empty where nobody may
	Alarm   string // priority; empty for what is told and is no alarm
	Ends    string // the code that tells the end of a condition; empty for others
}

// warned is what to do about a finding that only warns: its own text has the figures.
const warned = "The roll goes on. Read the text of the finding: it says what was found and what to look at."

// Findings are the findings that hold a roll or warn, by their codes.
func Findings() (out []Entry) {
	for _, c := range append(check.Codes(), cycle.Codes()...) {
		e := Entry{ID: "finding-" + string(c.Code), Code: string(c.Code), Kind: "warning", Meaning: sentence(fmt.Sprint(check.Meaning(c.Code))), Remedy: warned}
		if c.Severity == recipe.Hold {
			r, _ := cycle.RemedyOf(c.Code)
			e.Kind, e.Number, e.Remedy, e.Caution = "hold", fmt.Sprint(c.Reason), fmt.Sprint(r.Do), fmt.Sprint(r.Caution)
		}
		switch {
		case check.Overridable(c.Code):
			e.Passed = "A named person may offer a recipe of their own: lapgate override."
		case check.Confirmable(c.Code):
			e.Passed = "A named person confirms that it is done: lapgate confirm."
		}
		out = append(out, e)
	}
	return byCode(out)
}

// Conditions are what stands until its cause is gone, Notices what is told once.
func Conditions() []Entry { return told(true) }

// Notices are what is told once.
func Notices() []Entry { return told(false) }

func told(standing bool) (out []Entry) {
	for _, code := range cycle.NoticeCodes() {
		if cycle.Standing(code) != standing {
			continue
		}
		rule, _ := cycle.RuleOf(code)
		e := Entry{ID: "notice-" + code, Code: code, Kind: "notice", Meaning: rule.Meaning, Remedy: rule.Remedy.String(), Ends: cycle.EndOf(code)}
		if standing {
			e.Kind = "condition"
		}
		if p := rule.Priority; p > 0 {
			e.Alarm = p.String()
		}
		out = append(out, e)
	}
	return byCode(out)
}

// Panel is what the panel at the line shows: numbers of holds, rejections, phases and
// of what the press waits for, and the lamps.
func Panel() (out []Entry) {
	const all = 1<<32 - 1 // permissives
	for _, t := range plc.Texts(all) {
		shown := t.Number
		if shown == "" {
			shown = strings.ReplaceAll(t.Name, " ", "-")
		}
		out = append(out, Entry{ID: "panel-" + t.Kind + "-" + shown, Code: shown, Kind: t.Kind, Number: t.Number, Meaning: fmt.Sprint(t.Sentence), Remedy: fmt.Sprint(t.Remedy)})
	}
	return out
}

// Guarantee is a statement of the handshake, and the fields without which a controller
// that offers tags cannot keep it.
type Guarantee struct {
	Name, Text string
	Rests      []tags.Rest
}

// Guarantees are the statements that a controller with tags of its own may waive.
func Guarantees() (out []Guarantee) {
	for _, g := range tags.Guarantees() {
		x := Guarantee{Name: g.Name, Text: sentence(g.Text)}
		for _, r := range tags.Rests() {
			if slices.Contains(r.Breaks, g.Name) {
				x.Rests = append(x.Rests, r)
			}
		}
		out = append(out, x)
	}
	return out
}

// Refusals are the codes that refuse a named person's recipe.
func Refusals() []Entry {
	return []Entry{
		refusal(cycle.CodeOverrideField, "No setpoint that can be chosen has that name, or the number does not fit its field.",
			"Give the name and a number as the recipe of the roll has them."),
		refusal(cycle.CodeOverrideGroup, "The setpoint is not in force on this line, or could not be computed.", "Leave it out."),
	}
}

func refusal(code recipe.Code, meaning, remedy string) Entry {
	return Entry{ID: "finding-" + string(code), Code: string(code), Kind: "refusal", Meaning: meaning, Remedy: remedy}
}

func byCode(list []Entry) []Entry {
	slices.SortFunc(list, func(a, b Entry) int { return cmp.Compare(a.Code, b.Code) })
	return list
}

// index is every code once; of those that several entries have each says what it is.
func index() []Entry {
	list := byCode(slices.Concat(Findings(), Conditions(), Notices(), Refusals()))
	count := map[string]int{}
	for i := range list {
		count[list[i].Code]++
	}
	for i := range list {
		if e := &list[i]; count[e.Code] > 1 {
			e.Code += " (" + e.Kind + ")"
		}
	}
	return list
}

// sentence makes a sentence of a few words.
func sentence(words string) string {
	if words == "" {
		return ""
	}
	return wording.Capital(words) + "."
}

// cautions are the cautions by the names that the text asks for them by.
var cautions = map[string]caution.Caution{
	"no stop": caution.NoStop, "reach in": caution.ReachIn, "overhead": caution.Overhead, "ends": caution.Ends, "limits": caution.Limits,
	"nip points": caution.NipPoints, "rolls move": caution.RollsMove, "pressure": caution.Pressure, "platens": caution.Platens, "look": caution.Look,
	"licensed": caution.Licensed, "roll": caution.Roll, "press": caution.Press, "proof": caution.Proof, "pace": caution.Pace,
}

// partOf is a part that the text asks for, as HTML.
func partOf(name string, f *Facts) (string, error) {
	t, err := template.New("parts").Parse(partsText)
	if err != nil {
		return "", err
	}
	var data any
	part, kind, _ := strings.Cut(name, " ")
	switch part {
	case "caution":
		c, ok := cautions[kind]
		if !ok {
			return "", fmt.Errorf("no caution is named %q", kind)
		}
		data = fmt.Sprint(c)
	case "findings":
		data = Findings()
	case "conditions":
		data = Conditions()
	case "notices":
		data = Notices()
	case "refusals":
		part, data = "panel", Refusals()
	case "index":
		data = index()
	case "panel":
		part, data = "panel", slices.DeleteFunc(Panel(), func(e Entry) bool { return e.Kind != kind })
	case "guarantees":
		data = Guarantees()
	case "line":
		data = []template.HTML{template.HTML(LineView()), template.HTML(LineViewNarrow())} //nolint:gosec // drawings of the house
	case "exits":
		data = f.Exits
	case "commands":
		data = f
	case "configuration":
		data = config.Keys()
	default:
		return "", fmt.Errorf("no part is named %q", name)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, part, data); err != nil {
		return "", err
	}
	return b.String(), nil
}
