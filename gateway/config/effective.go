package config

import (
	"fmt"
	"iter"
	"strconv"
	"strings"
)

// Value is one effective value, as text in the units the configuration
// prefers, with its origin: "file:line", "default", "environment NAME" or
// "flag --set". A secret is shown as ***, and a path as it was written.
type Value struct {
	Key    string `json:"key"`
	Value  string `json:"value"`
	Origin string `json:"origin"`
	// Restart is what a change of the value needs, as a remedy; empty where a
	// reload puts it in force.
	Restart string `json:"restart,omitempty"`
}

// Effective lists every value in force, in the order of the reference
// configuration.
func (s *Snapshot) Effective() (out []Value) {
	for _, r := range s.values.runs {
		out = s.values.list(out, r)
	}
	return out
}

// EffectiveFor are the values that one line has a part in, in the same order: its own and
// those that all lines share.
func (s *Snapshot) EffectiveFor(line int) []Value {
	n := 0
	for _, r := range s.values.runs {
		if r.line == line || r.line == shared {
			n += r.to - r.from
		}
	}
	out := make([]Value, 0, n)
	for _, r := range s.values.runs {
		if r.line == line || r.line == shared {
			out = s.values.list(out, r)
		}
	}
	return out
}

// Own are a line's own values by their keys below the line, in the same order.
func (s *Snapshot) Own(line int) iter.Seq2[string, string] {
	return func(yield func(key, value string) bool) {
		for _, r := range s.values.runs {
			if r.line != line {
				continue
			}
			for _, x := range s.values.stored[r.from:r.to] {
				if !yield(s.values.texts[x.key], s.values.texts[x.value]) {
					return
				}
			}
		}
	}
}

// values are the values in force. Hundreds of lines have most of their texts in common, so
// each stands once.
type values struct {
	texts   []string
	numbers map[string]uint32 // of the texts, while values are added
	stored  []storedValue
	runs    []run // of stored, in order
}

// storedValue is a Value by the numbers of its texts. The key of a line is without the
// number of the line.
type storedValue struct{ key, value, origin, restart uint32 }

// run is a part of the values: of one line, or shared.
type run struct{ line, from, to int }

const shared = -1 // by all lines

// keyPrefix begins the keys of a line.
func keyPrefix(line int) string {
	if line == shared {
		return ""
	}
	return fmt.Sprintf("lines.%d.", line)
}

// add takes the next value.
func (v *values) add(x Value) {
	line, key := shared, x.Key
	if rest, ok := strings.CutPrefix(x.Key, "lines."); ok {
		number, own, _ := strings.Cut(rest, ".")
		if n, err := strconv.Atoi(number); err == nil {
			line, key = n, own
		}
	}
	if last := len(v.runs) - 1; last < 0 || v.runs[last].line != line {
		v.runs = append(v.runs, run{line, len(v.stored), len(v.stored)})
	}
	v.stored = append(v.stored, storedValue{v.number(key), v.number(x.Value), v.number(x.Origin), v.number(x.Restart)})
	v.runs[len(v.runs)-1].to = len(v.stored)
}

// number is that of a text, which is kept where it is new.
func (v *values) number(text string) uint32 {
	return of(&v.numbers, text, func() uint32 {
		v.texts = append(v.texts, strings.Clone(text))
		return uint32(len(v.texts) - 1)
	})
}

// list appends the values of a run.
func (v *values) list(out []Value, r run) []Value {
	prefix, stored := keyPrefix(r.line), v.stored[r.from:r.to]
	if prefix == "" {
		for _, x := range stored {
			out = append(out, Value{v.texts[x.key], v.texts[x.value], v.texts[x.origin], v.texts[x.restart]})
		}
		return out
	}
	n := 0
	for _, x := range stored {
		n += len(prefix) + len(v.texts[x.key])
	}
	var keys strings.Builder // one text for all, of which each is a part
	keys.Grow(n)
	for _, x := range stored {
		from := keys.Len()
		keys.WriteString(prefix)
		keys.WriteString(v.texts[x.key])
		out = append(out, Value{keys.String()[from:], v.texts[x.value], v.texts[x.origin], v.texts[x.restart]})
	}
	return out
}

// origin is where a key of a line, without its prefix, or of what all lines share stands.
func (v *values) origin(line int, key string) string {
	for _, r := range v.runs {
		if r.line != line && r.line != shared {
			continue
		}
		for _, x := range v.stored[r.from:r.to] {
			if v.texts[x.key] == key {
				return v.texts[x.origin]
			}
		}
	}
	return ""
}
