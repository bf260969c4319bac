package stationtest

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/anishathalye/porcupine"
)

// Report is how much a history held.
type Report struct {
	Histories  int // checked by themselves: one for each roll, one for each memory
	Operations int
	Offers     int
	Unknown    int // offers of which the journal does not say what they came to
	// Overtaken are the rolls whose outcome came to the journal after a gap over the
	// roll: the gap was written too early.
	Overtaken int
}

// Add sums two reports.
func (r *Report) Add(o Report) {
	r.Histories += o.Histories
	r.Operations += o.Operations
	r.Offers += o.Offers
	r.Unknown += o.Unknown
	r.Overtaken += o.Overtaken
}

// Check holds the history against the specification. The error names the first
// history that no order of the offers explains, and what stands at the place up to
// which one does.
func (h *History) Check() (Report, error) {
	b, err := h.build()
	if err != nil {
		return Report{}, err
	}
	keys := make([]key, 0, len(b.parts))
	for k := range b.parts {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(x, y key) int {
		return cmp.Or(cmp.Compare(x.era, y.era), cmp.Compare(x.roll, y.roll), strings.Compare(x.String(), y.String()))
	})
	for _, k := range keys {
		b.report.Histories++
		b.report.Operations += len(b.parts[k])
		model := modelOf(func(r roll, in input) []roll { return r.next(in) })
		if k.line {
			model = modelOf(func(l line, in input) []line { return l.next(in) })
		}
		if err := explain(model, b.parts[k]); err != nil {
			return b.report, fmt.Errorf("%s: %w", k, err)
		}
	}
	return b.report, nil
}

// modelOf makes the specification of a state for the search.
func modelOf[S comparable](next func(S, input) []S) porcupine.Model {
	spec := porcupine.NondeterministicModel{
		Init: func() []any { var s S; return []any{s} },
		Step: func(state, in, _ any) []any {
			var all []any
			for _, s := range next(state.(S), in.(input)) {
				all = append(all, s)
			}
			return all
		},
		DescribeState: func(state any) string { return fmt.Sprintf("%+v", state) },
	}
	return spec.ToModel()
}

func explain(model porcupine.Model, operations []operation) error {
	all := make([]porcupine.Operation, len(operations))
	for i, o := range operations {
		all[i] = porcupine.Operation{ClientId: i, Input: o.input, Call: o.call, Return: o.end}
	}
	if porcupine.CheckOperations(model, all) {
		return nil
	}
	_, info := porcupine.CheckOperationsVerbose(model, all, 0)
	return fmt.Errorf("no order of the offers explains it: %s", stuck(model, operations, longest(info)))
}

func longest(info porcupine.LinearizationInfo) []int {
	var best []int
	for _, part := range info.PartialLinearizations() {
		for _, p := range part {
			if len(p) > len(best) {
				best = p
			}
		}
	}
	return best
}

// stuck tells the place at which the longest order of operations ends.
func stuck(model porcupine.Model, operations []operation, order []int) string {
	state := model.Init()
	var before []string
	for _, i := range order {
		_, state = model.Step(state, operations[i].input, nil)
		before = append(before, operations[i].input.String())
	}
	at := -1
	for i, o := range operations {
		if !slices.Contains(order, i) && (at < 0 || o.end < operations[at].end) {
			at = i
		}
	}
	before = before[max(0, len(before)-6):]
	return fmt.Sprintf("after [%s] cannot come [%s]; the station is then %s",
		strings.Join(before, "; "), operations[at].input, model.DescribeState(state))
}
