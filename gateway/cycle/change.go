package cycle

import (
	"lapgate/gateway/record"
	"slices"
)

// mergeChanges joins two lists of changes, of which the second was made after the
// first. Each key stands once, with its value before and after both; a key that is
// back at its first value is left out.
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

// joined names everybody who made one of two changes, each once.
func joined(first, second string) string {
	switch {
	case first == "" || first == second:
		return second
	case second == "":
		return first
	}
	return first + ", " + second
}
