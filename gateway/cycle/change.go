package cycle

import (
	"lapgate/gateway/record"
	"slices"
)

// mergeChanges makes one list of two that follow each other: each key once,
// from its first value to its last, and none that came back to where it was.
func mergeChanges(first, second []record.ConfigChange) []record.ConfigChange {
	out := slices.Clone(first)
	for _, c := range second {
		if i := slices.IndexFunc(out, func(o record.ConfigChange) bool { return o.Key == c.Key }); i >= 0 {
			out[i].New = c.New
		} else {
			out = append(out, c)
		}
	}
	return slices.DeleteFunc(out, func(c record.ConfigChange) bool { return c.Old == c.New })
}

// joined names everybody who had a hand in a change, each once.
func joined(first, second string) string {
	switch {
	case first == "" || first == second:
		return second
	case second == "":
		return first
	}
	return first + ", " + second
}
