package wording

import (
	"slices"
	"strconv"
)

// Entry is one sentence of the table. Its key never changes its meaning, and where it
// is about a code ends in that code; what stands in braces are the placeholders.
type Entry struct{ Key, English string }

// sentences is the table, in the order in which it is printed.
var sentences = slices.Concat(
	language, now, findings, meanings, remedies, cautions, notices, process, told, weighed, instructions, commands, misuses, pair, asks, heads,
	pages, rolls, journal, reports, drawings, rates, steps, setpoints, faults, protocol, parts,
)

// language is the tag of the language itself.
var language = []Entry{{LanguageKey, "en"}}

// places is the place of each key in the table.
var places = func() map[string]int {
	out := make(map[string]int, len(sentences))
	for i := range sentences {
		if _, twice := out[sentences[i].Key]; twice {
			panic("wording: key " + strconv.Quote(sentences[i].Key) + " stands twice")
		}
		out[sentences[i].Key] = i
	}
	return out
}()

// Entries is the table of sentences.
func Entries() []Entry { return slices.Clone(sentences) }

func keys() []string {
	out := make([]string, len(sentences))
	for i := range sentences {
		out[i] = sentences[i].Key
	}
	return out
}
