package acceptance

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Change is one thing that differs from an earlier report.
type Change struct {
	What string `json:"what"`
	Was  string `json:"was"`
	Is   string `json:"is"`
}

// Changes are what a report differs by from an earlier one of the line.
type Changes struct {
	Before Run      `json:"before"` // of the earlier report
	List   []Change `json:"changes"`
}

// ReadReport reads a report as JSON; name is what messages call it.
func ReadReport(name string, in io.Reader) (*Report, error) {
	var r Report
	if err := json.NewDecoder(in).Decode(&r); err != nil {
		return nil, fmt.Errorf("%s: %w; want the report of an acceptance, as lapgate accept --json writes it", name, err)
	}
	if r.Line == "" || len(r.Results) == 0 {
		return nil, fmt.Errorf("%s: it is no report of an acceptance; want what lapgate accept --json writes", name)
	}
	return &r, nil
}

// none stands where one of two reports has nothing.
const none = "-"

// quirks are what the controller did of its own, in one text.
func quirks(r *Report) string { return cmp.Or(strings.Join(r.Quirks, ", "), none) }

// Since tells what differs from an earlier report, in the order of the report.
func (r *Report) Since(old *Report) *Changes {
	c := &Changes{Before: old.Run, List: []Change{}}
	c.add("line", old.Line, r.Line)
	c.add("against", old.Against, r.Against)
	c.add("version", old.Run.Version, r.Run.Version)
	c.add("hash of the configuration", old.Configuration.String(), r.Configuration.String())
	c.add("quirks of the controller", quirks(old), quirks(r))
	c.add("plan", old.Plan, r.Plan)
	c.add("seed", seedText(old.Seed), seedText(r.Seed))
	for i := range r.Results {
		n := &r.Results[i]
		k := slices.IndexFunc(old.Results, func(o Result) bool { return o.Step == n.Step })
		if k < 0 {
			c.add("step "+n.Step, none, string(n.Outcome))
			continue
		}
		o := &old.Results[k]
		c.add("step "+n.Step, string(o.Outcome), string(n.Outcome))
		c.add("step "+n.Step+", expected", o.Expected, n.Expected)
		c.add("step "+n.Step+", observed", o.Observed, n.Observed)
	}
	for i := range old.Results {
		o := &old.Results[i]
		if !slices.ContainsFunc(r.Results, func(n Result) bool { return n.Step == o.Step }) {
			c.add("step "+o.Step, string(o.Outcome), none)
		}
	}
	for _, n := range r.Checks {
		if k := slices.IndexFunc(old.Checks, func(o Check) bool { return o.What == n.What }); k >= 0 {
			c.add(n.What, string(old.Checks[k].Outcome), string(n.Outcome))
		}
	}
	c.covered("setpoint", old.Coverage.Setpoints, r.Coverage.Setpoints)
	c.covered("station", old.Coverage.Stations, r.Coverage.Stations)
	c.covered("stand", old.Coverage.Slots, r.Coverage.Slots)
	c.covered("finding", old.Coverage.Findings, r.Coverage.Findings)
	return c
}

func (c *Changes) add(what, was, is string) {
	if was != is {
		c.List = append(c.List, Change{what, was, is})
	}
}

// covered tells what is exercised now and was not, or the other way round.
func (c *Changes) covered(kind string, old, present []Covered) {
	word := func(p *Covered) string {
		if p.Steps > 0 {
			return "exercised"
		}
		return "not exercised"
	}
	for i := range present {
		n := &present[i]
		if k := slices.IndexFunc(old, func(o Covered) bool { return o.Name == n.Name }); k >= 0 {
			c.add(kind+" "+n.Name, word(&old[k]), word(n))
		}
	}
}

func seedText(seed *uint64) string {
	if seed == nil {
		return none
	}
	return fmt.Sprint(*seed)
}
