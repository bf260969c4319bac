package gateway

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/checkup"
	"lapgate/gateway/config"
	"lapgate/gateway/record"
)

// changesBetween lists the values that differ, in the order of the new
// configuration and then of what is gone, and by key what those need that a
// reload cannot change. Lines are known by their names, and their keys are those
// of the new configuration.
func changesBetween(old, next *config.Snapshot) (out []record.ConfigChange, restarts map[string]string) {
	was := old.Effective()
	for i := range was {
		was[i].Key = keyIn(next, old, was[i].Key)
	}
	return differences(was, next.Effective())
}

// differences lists the values that differ, as changesBetween does.
func differences(was, now []config.Value) (out []record.ConfigChange, restarts map[string]string) {
	if slices.EqualFunc(was, now, func(a, b config.Value) bool { return a.Key == b.Key && a.Value == b.Value }) {
		return nil, map[string]string{}
	}
	before := map[string]string{}
	for i := range was {
		before[was[i].Key] = was[i].Value
	}
	restarts = map[string]string{}
	seen := map[string]bool{}
	for _, v := range now {
		seen[v.Key] = true
		old, had := before[v.Key]
		if had && old == v.Value {
			continue
		}
		out = append(out, record.ConfigChange{Key: v.Key, Old: old, New: v.Value, Where: v.Origin})
		if v.Restart != "" {
			restarts[v.Key] = v.Restart
		}
	}
	for _, v := range was {
		if seen[v.Key] {
			continue
		}
		out = append(out, record.ConfigChange{Key: v.Key, Old: v.Value})
		if v.Restart != "" {
			restarts[v.Key] = v.Restart
		}
	}
	return out, restarts
}

// keyIn is a key of the old configuration as the next one numbers its lines.
func keyIn(next, old *config.Snapshot, key string) string {
	i, rest, ok := keyOfLine(key)
	if !ok || i >= len(old.Lines) || old.Lines[i].Recipe == nil {
		return key
	}
	if j := indexOf(next, old.Lines[i].Recipe.Name); j >= 0 {
		return lineSection(j) + rest
	}
	return key
}

// lineSection begins the keys of a line.
func lineSection(i int) string { return fmt.Sprintf("lines.%d.", i) }

// keyOfLine takes the number of the line from a key; ok is false for one that is
// shared.
func keyOfLine(key string) (line int, rest string, ok bool) {
	rest, ok = strings.CutPrefix(key, "lines.")
	if !ok {
		return 0, key, false
	}
	number, rest, _ := strings.Cut(rest, ".")
	line, err := strconv.Atoi(number)
	return line, rest, err == nil
}

// declaration is the record of a configuration that a line is served with from here
// on. before is the newest record of the journal with all that those before it tell, nil
// where there is none.
func declaration(s *config.Snapshot, line string, before *record.Config, program string) record.Config {
	i := indexOf(s, line)
	r := record.Config{Hash: s.Hash, File: s.File, Program: program}
	if text := s.TextFor(i); before == nil || before.Text != text {
		r.Text = text
	}
	if before == nil || before.Values == nil {
		r.Values = valuesOf(s, line)
		return r // nothing tells what was in force before
	}
	now := s.EffectiveFor(i)
	if same(before.Values, now) {
		return r
	}
	was := make([]config.Value, len(before.Values))
	for k, v := range before.Values {
		if _, rest, own := keyOfLine(v.Key); own {
			v.Key = lineSection(i) + rest
		}
		was[k] = config.Value{Key: v.Key, Value: v.Value}
	}
	r.Changes, _ = differences(was, now)
	return r
}

// same reports whether the values that a record has are those in force.
func same(recorded []record.ConfigValue, now []config.Value) bool {
	return slices.EqualFunc(recorded, now, func(a record.ConfigValue, b config.Value) bool { return a.Key == b.Key && a.Value == b.Value })
}

// valuesOf are the values in force for a line, as records have them.
func valuesOf(s *config.Snapshot, line string) []record.ConfigValue {
	now := s.EffectiveFor(indexOf(s, line))
	out := make([]record.ConfigValue, len(now))
	for k, v := range now {
		out[k] = record.ConfigValue{Key: v.Key, Value: v.Value}
	}
	return out
}

// whole is a record of a configuration with what it left out, because those before it
// tell it. before is the one before, whole.
func whole(r record.Config, before *record.Config) *record.Config {
	if before == nil {
		return &r
	}
	if r.Text == "" {
		r.Text = before.Text
	}
	if r.Values == nil {
		r.Values = changed(before.Values, r.Changes)
	}
	return &r
}

// changed are values after some of them changed. The number of the line in a key does
// not count: all are of one line.
func changed(values []record.ConfigValue, changes []record.ConfigChange) []record.ConfigValue {
	if len(changes) == 0 {
		return values
	}
	at := map[string]int{}
	out := slices.Clone(values)
	for i, v := range out {
		at[withoutLine(v.Key)] = i
	}
	gone := map[string]bool{}
	for _, c := range changes {
		i, had := at[withoutLine(c.Key)]
		switch v := (record.ConfigValue{Key: c.Key, Value: c.New}); {
		case c.Where == "":
			gone[withoutLine(c.Key)] = true
		case had:
			out[i] = v
		default:
			out = append(out, v)
		}
	}
	return slices.DeleteFunc(out, func(v record.ConfigValue) bool { return gone[withoutLine(v.Key)] })
}

// withoutLine is a key without the number of its line.
func withoutLine(key string) string {
	_, rest, own := keyOfLine(key)
	if own {
		return "lines." + rest
	}
	return rest
}

// wholeDeclared is the newest configuration with all its values; nil without one.
func (l *lineLoop) wholeDeclared() *record.Config {
	if l.valued == nil {
		return l.declared
	}
	c := *l.declared
	c.Values = valuesOf(l.valued, l.set.name)
	return &c
}

// valueBy leaves the values of the newest configuration to a snapshot that has the same:
// held for each line, they would be most of what an idle daemon holds.
func (l *lineLoop) valueBy(s *config.Snapshot) {
	if l.declared != nil && same(l.declared.Values, s.EffectiveFor(indexOf(s, l.set.name))) {
		c := *l.declared
		c.Values = nil
		l.declared, l.valued = &c, s
	}
}

// changedBy names who changed a file where nobody says it: its owner.
func changedBy(path string) string {
	if info, err := os.Stat(path); err == nil {
		if owner := checkup.Owner(info); owner != "" {
			return "owner of the file, " + owner
		}
	}
	return "unknown"
}
