package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/recipe/widths"
)

// What the schedule of both costs: a changed slot, a square metre of paper, a metre off the
// optimum overhang of one roll.
const (
	changeoverCost = "40"
	paperPrice     = "0.35/m2"
	overhangCost   = "0.10/in"
)

// solvers are general solvers of integer programmes, to a gap of none. Each is called with a
// programme and the file of its answer, where the optimum follows some words.
var solvers = []struct {
	name    string
	args    func(programme, answer string) []string
	optimum string
}{
	{"cbc", func(programme, answer string) []string {
		return []string{programme, "ratio", "0", "allow", "0", "solve", "solution", answer}
	}, "Optimal - objective value"},
	{"glpsol", func(programme, answer string) []string {
		return []string{"--cuts", "--lp", programme, "--output", answer}
	}, "INTEGER OPTIMAL\nObjective:  cost ="},
}

// widthsAgainstSolvers measures the whole command `widths` against the whole command of each
// solver at hand, in turns, where both must find the same optimum.
func widthsAgainstSolvers(ctx context.Context, b *bench) (rows []row, err error) {
	schedule, mill, programme := filepath.Join(b.dir, "week.csv"), filepath.Join(b.dir, "week.yaml"), filepath.Join(b.dir, "week.lp")
	text := weekOfRolls()
	p, err := problemOf(text)
	if err != nil {
		return nil, err
	}
	err = errors.Join(os.WriteFile(schedule, text, 0o600), os.WriteFile(mill, configs.Demo(), 0o600), os.WriteFile(programme, integerProgramme(p), 0o600))
	if err != nil {
		return nil, err
	}
	for _, s := range solvers {
		r := row{"widths of a week, over " + s.name, "not measured: " + s.name + " is not on PATH", "",
			fmt.Sprintf("%d unlike rolls, %d wrappers to choose from, the same optimum; whole commands in turns, least of 3", len(p.Rolls), len(p.Candidates))}
		if path, err := exec.LookPath(s.name); err == nil {
			answer := programme + "." + s.name
			r.figure, err = inTurns(
				func() (float64, error) { return bestOfWidths(ctx, b.binary, schedule, mill) },
				func() (float64, error) {
					return optimumOf(exec.CommandContext(ctx, path, s.args(programme, answer)...), answer, s.optimum)
				})
			if err != nil {
				return rows, fmt.Errorf("%s: %w", s.name, err)
			}
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// inTurns runs two ways to the same optimum in turns, and tells the ratio of their least times.
func inTurns(one, other func() (float64, error)) (string, error) {
	ours, theirs := time.Hour, time.Hour
	for range 3 {
		begun := time.Now()
		mine, err := one()
		if err != nil {
			return "", err
		}
		middle := time.Now()
		its, err := other()
		if err != nil {
			return "", err
		}
		ours, theirs = min(ours, middle.Sub(begun)), min(theirs, time.Since(middle))
		if math.Abs(mine-its) > 1e-6*its {
			return "", fmt.Errorf("widths finds a cost of %v, the solver one of %v", mine, its)
		}
	}
	return fmt.Sprintf("%.2f (%v over %v)", ours.Seconds()/theirs.Seconds(), ours.Round(time.Millisecond), theirs.Round(time.Millisecond)), nil
}

// weekOfRolls is a schedule that the slots of the demo can serve in more than one way.
func weekOfRolls() []byte {
	var out bytes.Buffer
	r := rand.New(rand.NewPCG(1, 2))
	fmt.Fprintln(&out, "width (in),diameter (in),count,spec,core")
	for range 600 {
		fmt.Fprintf(&out, "%.3f,%d,%d,domestic,three-inch\n", 30+float64(r.IntN(30*8))/8, 38+2*r.IntN(5), 1+r.IntN(20))
	}
	return out.Bytes()
}

// problemOf is what the command makes of a schedule.
func problemOf(schedule []byte) (*widths.Problem, error) {
	s, err := config.Load(config.Source{Path: "mill.yaml", Bytes: configs.Demo()})
	if err != nil {
		return nil, err
	}
	o := widths.Options{}
	if o.Changeover, err = strconv.ParseFloat(changeoverCost, 64); err != nil {
		return nil, err
	}
	if o.Prices, err = widths.ParsePrices([]string{paperPrice}); err != nil {
		return nil, err
	}
	if o.OverhangCost, err = widths.ParseCostPerLength(overhangCost); err != nil {
		return nil, err
	}
	plan, err := widths.NewPlan(s.Lines[0].Recipe, o)
	if err != nil {
		return nil, err
	}
	if err := plan.ReadSchedule("week.csv", bytes.NewReader(schedule), nil); err != nil {
		return nil, err
	}
	plan.OfferGrid(0)
	return &plan.Problem, nil
}

// bestOfWidths is the cost of the set that the command proves best.
func bestOfWidths(ctx context.Context, binary, schedule, mill string) (float64, error) {
	out, err := exec.CommandContext(ctx, binary, "widths", schedule, "--config", mill, "--json",
		"--changeover-cost", changeoverCost, "--paper-price", paperPrice, "--overhang-weight", overhangCost).Output()
	if err != nil {
		return 0, fmt.Errorf("widths: %w\n%s", err, out)
	}
	var said struct {
		Exact  bool `json:"exact"`
		Totals []struct {
			Set  string  `json:"set"`
			Cost float64 `json:"cost"`
		} `json:"totals"`
	}
	if err := json.Unmarshal(out, &said); err != nil {
		return 0, err
	}
	for _, t := range said.Totals {
		if t.Set == "best" && said.Exact {
			return t.Cost, nil
		}
	}
	return 0, fmt.Errorf("widths has no set that is proven best: %s", out)
}

// integerProgramme is a problem whose rolls can all be served, in CPLEX LP format: y is one for
// a wrapper that takes a free slot, x the share of a roll of the schedule that a wrapper serves.
func integerProgramme(p *widths.Problem) []byte {
	var all, hung []widths.Wrapper
	for _, h := range p.Stand {
		if !h.Empty {
			hung = append(hung, h.Wrapper)
		}
	}
	for _, c := range p.Candidates {
		all = append(all, c.Wrapper)
	}
	for _, w := range hung {
		if !slices.Contains(all, w) {
			all = append(all, w)
		}
	}
	var cost, rows, slots, binary strings.Builder
	for j, w := range all {
		fmt.Fprintf(&binary, " y%d\n", j)
		fmt.Fprintf(&slots, " + y%d\n", j)
		if !slices.Contains(hung, w) {
			fmt.Fprintf(&cost, " + %.15f y%d\n", p.Changeover, j)
		}
	}
	for i := range p.Rolls {
		for j, w := range all {
			if c, ok := costOf(p, &p.Rolls[i], w); ok {
				fmt.Fprintf(&cost, " + %.15f x%d_%d\n", c, i, j)
				fmt.Fprintf(&rows, " x%d_%d - y%d <= 0\n", i, j, j)
			}
		}
		for j, w := range all {
			if _, ok := costOf(p, &p.Rolls[i], w); ok {
				fmt.Fprintf(&rows, " + x%d_%d\n", i, j)
			}
		}
		fmt.Fprintln(&rows, " >= 1")
	}
	return fmt.Appendf(nil, "Minimize\n cost:\n%sSubject To\n%s%s <= %d\nBinary\n%sEnd\n", cost.String(), rows.String(), slots.String(), len(p.Stand), binary.String())
}

// costOf is what a wrapper costs for a roll of the schedule, and whether it keeps the window.
func costOf(p *widths.Problem, r *widths.Roll, w widths.Wrapper) (float64, bool) {
	s, o := &p.Specs[r.Spec], (w.Width-r.Width)/2
	const grace = 1e-9
	paper := slices.Index(s.Papers, w.Paper)
	if paper < 0 || o-p.Centring < s.Min-grace || o+p.Centring > s.Max+grace || r.Low != 0 && o < r.Low-grace || r.High != 0 && o > r.High+grace {
		return 0, false
	}
	return float64(r.Count) * (p.OverhangCost*math.Abs(o-s.Optimum) + (r.Feed+s.Longer[paper])*w.Width*p.Prices[w.Paper]), true
}

// optimumOf runs a solver and reads the number that follows some words of its answer.
func optimumOf(cmd *exec.Cmd, answer, words string) (float64, error) {
	log, err := cmd.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("%w\n%s", err, log)
	}
	text, err := os.ReadFile(answer)
	if err != nil {
		return 0, fmt.Errorf("%w\n%s", err, log)
	}
	if _, after, ok := strings.Cut(string(text), words); ok {
		if fields := strings.Fields(after); len(fields) > 0 {
			return strconv.ParseFloat(fields[0], 64)
		}
	}
	return 0, fmt.Errorf("no optimum found:\n%s", log)
}
