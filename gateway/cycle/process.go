package cycle

import (
	"slices"

	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// processEnd is what the code of a fault of the process has behind it where it
// tells that the fault is gone.
const processEnd = "-ended"

// processNotices are the notices of recipe/notice.
func processNotices() []notice {
	var out []notice
	for _, c := range process.Codes() {
		out = append(out, notice{string(c), Warning, string(c) + processEnd, low(0, 0)})
	}
	return out
}

// observe hands a record to the tests of the process. They only tell people:
// nothing that the line does depends on them.
func (m *Machine) observe(s record.Stored) []process.Finding {
	found, err := m.process.Add(s)
	if err != nil {
		return nil // the memory refuses the same record, and the machine ends
	}
	return found
}

// tellProcess raises or ends the condition of each finding.
func (m *Machine) tellProcess(found []process.Finding) {
	for i := range found {
		f := &found[i]
		key := processKey(f)
		if f.Ended {
			m.end(key)
			continue
		}
		m.count("process/" + string(f.Code))
		fields := []Field{{"of", f.Of}, {"first_roll", f.First}, {"last_roll", f.Last}, {"rolls", f.Rolls}}
		if f.Of == "" {
			fields = fields[1:]
		}
		for _, e := range f.Evidence {
			fields = append(fields, Field{e.Name, e.Value})
		}
		m.raise(key, wording.Say("told.process", "meaning", f.Code.Meaning(), "from", f.First, "to", f.Last), fields...)
	}
}

func processKey(f *process.Finding) string {
	if f.Of == "" {
		return string(f.Code)
	}
	return string(f.Code) + "/" + f.Of
}

// recoverProcess takes a record of before the start. What stands at its end is
// told with the first step.
func (m *Machine) recoverProcess(s record.Stored) {
	for _, f := range m.observe(s) {
		same := func(o process.Finding) bool { return processKey(&o) == processKey(&f) }
		m.untold = slices.DeleteFunc(m.untold, same)
		if !f.Ended {
			m.untold = append(m.untold, f)
		}
	}
}
