// Package plc writes what the controller's side needs as text: its program in
// Structured Text, and the map of registers and nodes. Every number in either
// comes from the tables of package handshake, so that gateway and controller
// cannot disagree about one.
package plc

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"lapgate/gateway/handshake"
)

// Form is the family of dialects that the program is written for.
type Form int

// The forms. The second is for controllers without unsigned types, functions or
// types of one's own: one program of BOOL, INT, DINT and arrays of them.
const (
	First Form = iota
	Second
)

// Settings are the numbers of the program that a configuration decides.
type Settings struct {
	Permissives   uint32        // bits that must be on
	CommitTTL     time.Duration // from the last look of the gateway to the judgement
	HeartbeatLoss time.Duration // a count that stands this long is silence
	Publication   time.Duration // longest time between two publications

	// Address is the zero-based holding register of a block.
	Address func(id handshake.ID, entry int) int
}

// Tick is the unit of the controller's clock.
const Tick = 10 * time.Millisecond

// Times of the program that no configuration changes: how long a roll waits
// before the operator is told, and how long presence is off before the roll
// counts as gone.
const (
	requestAlarm = 10 * time.Second
	goneAfter    = 2 * time.Second
)

// Program returns the text of the controller's program in a form: the template
// with types, constants, tables and limits filled in. Constants go in where the
// line @constants@ stands, those that the program unit around it uses. The
// error names every mark and every constant of the template that is unknown.
func Program(template string, form Form, s Settings) (string, error) {
	settings, err := s.fills()
	if err != nil {
		return "", err
	}
	p := program{fills: append(fixedFills(form), settings...), consts: constants()}
	template = p.shaped(template, form)
	units := unitEnd.Split(template, -1)
	ends := unitEnd.FindAllString(template, -1)
	var out strings.Builder
	for i, u := range units {
		out.WriteString(p.unit(u))
		if i < len(ends) {
			out.WriteString(ends[i])
		}
	}
	if len(p.unknown) > 0 {
		return "", fmt.Errorf("template of the controller's program: %w", errors.Join(p.unknown...))
	}
	return out.String(), nil
}

// fills are the settings by the mark that they replace.
func (s Settings) fills() ([]fill, error) {
	var bad []error
	var times strings.Builder
	for _, t := range []struct {
		name, words string
		d           time.Duration
	}{
		{"commitTtl", "COMMIT_TTL", s.CommitTTL},
		{"heartbeatLoss", "HB_LOSS", s.HeartbeatLoss},
		{"publication", "between publications, at most", s.Publication},
		{"requestAlarmAfter", "REQ_ALARM", requestAlarm},
		{"goneAfter", "GONE_TIME, 50 to 1000", goneAfter},
	} {
		n := int64(t.d / Tick)
		if n < 1 || n > timeMost {
			bad = append(bad, fmt.Errorf("%s is %s, want %s to %s, the controller's clock counts in the former", t.name, t.d, Tick, timeMost*Tick))
		}
		fmt.Fprintf(&times, "    %-30s (* 10 ms, %s *)\n", fmt.Sprintf("%s : DINT := %d;", t.name, n), t.words)
	}
	needed := make([]string, 32)
	var first, second strings.Builder
	for i := range needed {
		on := s.Permissives>>i&1 == 1
		needed[i] = strings.ToUpper(fmt.Sprint(on))
		if on {
			fmt.Fprintf(&first, "    permit%d AT %%IX4.%d : BOOL;\n", i, i)
			fmt.Fprintf(&second, "  permissive[%d] := permit%d;\n", i, i)
		}
	}
	out := []fill{
		{"permissives", wrapped(needed)}, {"settings", strings.TrimSuffix(times.String(), "\n")},
		{"permit inputs", strings.TrimSuffix(first.String(), "\n")}, {"permits", strings.TrimSuffix(second.String(), "\n")},
	}
	for _, id := range handshake.IDs() {
		out = append(out, fill{"base " + id.String(), fmt.Sprint(s.Address(id, 0))})
	}
	return out, errors.Join(bad...)
}

// fill is a mark of the template, without its at signs, and what it becomes.
type fill struct{ mark, text string }

type program struct {
	fills   []fill
	consts  []constant
	unknown []error
}

var (
	unitEnd = regexp.MustCompile(`(?m)^END_(TYPE|FUNCTION|FUNCTION_BLOCK|PROGRAM)$`)
	mark    = regexp.MustCompile(`@([A-Za-z0-9_ ]+)@`)
	comment = regexp.MustCompile(`(?s)\(\*.*?\*\)`)
	// An upper-case name with an underscore is one of the constants, unless it
	// is a word of the language.
	upper = regexp.MustCompile(`\b[A-Z][A-Z0-9]*(_[A-Z0-9]+)+\b`)
)

// constantsMark stands alone on the line that the constants replace.
const constantsMark = "@constants@\n"

// unit fills in one program unit, its constants last: what else is filled in
// uses some.
func (p *program) unit(text string) string {
	text = mark.ReplaceAllStringFunc(text, func(m string) string {
		name := strings.Trim(m, "@")
		for _, f := range p.fills {
			if f.mark == name {
				return f.text
			}
		}
		if m+"\n" != constantsMark {
			p.unknown = append(p.unknown, fmt.Errorf("mark %s is not known", m))
		}
		return m
	})
	if before, after, ok := strings.Cut(text, constantsMark); ok {
		text = before + p.section(text) + after
	}
	return text
}

// section declares the constants that a unit uses, in the order of the list.
func (p *program) section(text string) string {
	used := map[string]bool{}
	known := map[string]bool{}
	for _, c := range p.consts {
		known[c.name] = true
	}
	for _, name := range upper.FindAllString(comment.ReplaceAllString(text, ""), -1) {
		if !known[name] && !language(name) && !used[name] {
			p.unknown = append(p.unknown, fmt.Errorf("constant %s is not known", name))
		}
		used[name] = true
	}
	var out strings.Builder
	out.WriteString("  (* Generated from the tables of the gateway. *)\n  VAR CONSTANT\n")
	for _, c := range p.consts {
		if used[c.name] {
			fmt.Fprintf(&out, "    %s : %s := %s;\n", c.name, c.typ, c.value)
		}
	}
	out.WriteString("  END_VAR\n")
	return out.String()
}

// language reports whether a name is a word of the language: a keyword or a
// conversion.
func language(name string) bool {
	return strings.HasPrefix(name, "END_") || strings.HasPrefix(name, "VAR_") || name == "FUNCTION_BLOCK" ||
		strings.Contains(name, "_TO_")
}
