package rate

import (
	"math"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Summary is a rate as people and other programs get it, SI with the unit in each
// name. Times are rounded to a tenth of a second and rates to a hundredth of a roll:
// no setting behind them is known as well.
type Summary struct {
	Line    string  `json:"line"`
	Rolls   int64   `json:"rolls"`
	Wrapped int64   `json:"rolls_wrapped" label:"of them wrapped"`
	PerHour float64 `json:"rolls_per_hour" label:"rolls an hour"`
	// Slow and Fast are the rate with hands that take a fifth longer, and a fifth less.
	Slow       float64 `json:"rolls_per_hour_slow_hands" label:"with hands a fifth slower"`
	Fast       float64 `json:"rolls_per_hour_fast_hands" label:"with hands a fifth faster"`
	Cycle      float64 `json:"cycle_s" label:"cycle of a roll, mean"`
	Shortest   float64 `json:"cycle_shortest_s" label:"shortest, without changes"`
	Longest    float64 `json:"cycle_longest_s" label:"longest, without changes"`
	Hours      float64 `json:"schedule_hours" label:"hours for the schedule"`
	Bottleneck string  `json:"bottleneck" print:"words=rate.station"`
	// Bound is the rate of the slowest step alone.
	Bound float64          `json:"rolls_per_hour_bound" label:"-"`
	Notes []wording.Phrase `json:"notes" label:""`

	Stations []Station    `json:"stations" label:"time by station" print:"csv"`
	Modules  []ModuleGain `json:"modules" label:"what one step of automation more would bring"`
	Ladder   []ModuleGain `json:"ladder" label:"the best next step, one after another"`
	Wrapper  []SlotUse    `json:"wrapper" label:"wrapper, for each roll that is wrapped from the slot"`
	Whole    WrapperTotal `json:"wrapper_mean" label:"wrapper, for each roll of the mix"`
	Held     []HeldRolls  `json:"held" label:"without a recipe"`
}

// Station is the time of a station in the mean cycle.
type Station struct {
	Station string  `json:"station" print:"words=rate.station"`
	Mode    string  `json:"mode,omitempty" print:"words=equipment"`
	Hands   float64 `json:"hands_s" label:"hands and handling"`
	Machine float64 `json:"machine_s" label:"motion and heat"`
	Seconds float64 `json:"time_s" label:"together"`
	Share   float64 `json:"share_percent" label:"of the cycle"`
}

// ModuleGain is a step of automation and what it brings.
type ModuleGain struct {
	Station string  `json:"station" print:"words=rate.station"`
	From    string  `json:"from" print:"head=from-mode,words=equipment"`
	To      string  `json:"to" print:"head=to-mode,words=equipment"`
	Saves   float64 `json:"saves_s" label:"saves"`
	PerHour float64 `json:"rolls_per_hour" label:"rolls an hour"`
	Gain    float64 `json:"gain_percent" label:"more than now"`
}

// SlotUse is the wrapper that a slot gives for each of its rolls.
type SlotUse struct {
	Slot    int     `json:"slot"`
	Width   float64 `json:"width_m"`
	Paper   string  `json:"paper"`
	Rolls   int64   `json:"rolls"`
	Changes float64 `json:"wrapper_rolls" label:"wrapper rolls used up"`
	WrapperTotal
}

// WrapperTotal is the wrapper of a mean roll. What is left at the cores is not in the
// wrapper used; the cost has it.
type WrapperTotal struct {
	Length float64  `json:"wrapper_m" label:"length" print:"drop=1"`
	Area   float64  `json:"wrapper_m2" label:"area"`
	Mass   float64  `json:"wrapper_kg" label:"mass" print:"drop=2"`
	Trim   float64  `json:"trim_m2" label:"of it beyond the optimum overhang"`
	Ends   float64  `json:"ends_m2" label:"left at the core" print:"drop=1"`
	Cost   *float64 `json:"cost,omitempty"`
	// TrimCost is the part of the cost that trim and ends make.
	TrimCost *float64 `json:"trim_and_ends_cost,omitempty" label:"of it trim and ends"`
}

// HeldRolls are rolls that get no recipe.
type HeldRolls struct {
	Code   recipe.Code    `json:"code"`
	Rolls  int64          `json:"rolls"`
	Names  []string       `json:"names" label:"such as"`
	Reason wording.Phrase `json:"reason" print:"below"`
}

// handsSpread is by how much hands are taken to be slower and faster.
const handsSpread = 0.2

// Summary sums the mix up.
func (r *Reckoner) Summary() *Summary {
	c := r.Present()
	out := &Summary{
		Line: r.line.Name, Rolls: r.rolls, Wrapped: r.wrapped, PerHour: hundredth(c.PerHour()), Cycle: tenth(c.Seconds()),
		Shortest: tenth(r.shortest), Longest: tenth(r.longest), Hours: hundredth(c.Seconds() * float64(r.wrapped) / 3600),
		Stations: []Station{}, Held: []HeldRolls{},
	}
	slowest := 0.0
	slow, fast := c.Seconds(), c.Seconds()
	for i := range c.Parts {
		p := &c.Parts[i]
		s := Station{Station: p.Station, Hands: tenth(p.Hands), Machine: tenth(p.Machine), Seconds: tenth(p.Seconds()), Share: tenth(100 * p.Seconds() / c.Seconds())}
		if !p.Own {
			s.Mode = p.Mode.String()
		}
		out.Stations = append(out.Stations, s)
		if p.Seconds() > slowest {
			slowest, out.Bottleneck = p.Seconds(), p.Station
		}
		slow += handsSpread * p.Hands
		fast -= handsSpread * p.Hands
	}
	if r.wrapped > 0 {
		out.Slow, out.Fast, out.Bound = hundredth(3600/slow), hundredth(3600/fast), hundredth(3600/slowest)
		if c.Change > 0 {
			out.Stations = append(out.Stations, Station{Station: changes, Hands: tenth(c.Change), Seconds: tenth(c.Change), Share: tenth(100 * c.Change / c.Seconds())})
		}
	}
	out.Modules = gains(r.Modules(&r.line.Equipment), c)
	out.Ladder = gains(r.Ladder(), c)
	r.wrapper(out)
	for _, h := range r.held {
		out.Held = append(out.Held, HeldRolls{h.Code, h.Rolls, h.Names, h.Reason})
	}
	out.Notes = r.notes(out)
	return out
}

func gains(modules []Module, now *Cycle) []ModuleGain {
	out := []ModuleGain{}
	for _, m := range modules {
		out = append(out, ModuleGain{
			Station: m.Station, From: m.From.String(), To: m.To.String(), Saves: tenth(m.Saves),
			PerHour: hundredth(m.PerHour), Gain: tenth(100 * (m.PerHour/now.PerHour() - 1)),
		})
	}
	return out
}

// wrapper fills in what each slot gives, and the mean over the mix.
func (r *Reckoner) wrapper(out *Summary) {
	out.Wrapper = []SlotUse{}
	var whole use
	for i := range r.slots {
		s := &r.slots[i]
		if s.rolls == 0 {
			continue
		}
		u := use{
			length: s.length, area: s.length * s.spec.Width, trim: s.beyond, ends: s.changes * s.ends * s.spec.Width, priced: s.price > 0,
		}
		u.mass = u.area * s.paper.BasisWeight
		u.cost, u.wasted = s.price*(u.area+u.ends), s.price*(u.trim+u.ends)
		out.Wrapper = append(out.Wrapper, SlotUse{
			Slot: s.spec.Number, Width: s.spec.Width, Paper: s.spec.Paper, Rolls: s.rolls, Changes: hundredth(s.changes), WrapperTotal: u.each(s.rolls),
		})
		if len(out.Wrapper) == 1 {
			whole.priced = true
		}
		whole.add(&u)
	}
	if r.wrapped > 0 {
		out.Whole = whole.each(r.wrapped)
	}
}

// use is wrapper, sums: m, m², kg and money.
type use struct {
	length, area, mass, trim, ends, cost, wasted float64
	priced                                       bool
}

func (u *use) add(o *use) {
	u.length += o.length
	u.area += o.area
	u.mass += o.mass
	u.trim += o.trim
	u.ends += o.ends
	u.cost += o.cost
	u.wasted += o.wasted
	u.priced = u.priced && o.priced
}

// each is the use of one of so many rolls.
func (u *use) each(rolls int64) WrapperTotal {
	n := float64(rolls)
	t := WrapperTotal{Length: u.length / n, Area: u.area / n, Mass: u.mass / n, Trim: u.trim / n, Ends: u.ends / n}
	if u.priced {
		cost, wasted := u.cost/n, u.wasted/n
		t.Cost, t.TrimCost = &cost, &wasted
	}
	return t
}

// changes is what stands among the stations for the changes of wrapper.
const changes = "wrapper changes"

// notes are sentences about what the figures alone do not show.
func (r *Reckoner) notes(s *Summary) (out []wording.Phrase) {
	add := func(key string, pairs ...any) { out = append(out, wording.Phrase{Said: wording.Say(key, pairs...)}) }
	if s.Wrapped == 0 {
		add("rate.none")
		return out
	}
	add("rate.one-at-a-time")
	add("rate.bound", "station", wording.Word("rate.station", s.Bottleneck), "count", quantity.Round(s.Bound, quantity.None, "", 1))
	if s.Wrapped < s.Rolls {
		add("rate.held", "count", s.Rolls-s.Wrapped)
	}
	if r.noGrade > 0 {
		add("rate.no-grade", "count", r.noGrade)
	}
	if s.Whole.Cost == nil {
		add("rate.no-price")
	}
	if len(s.Modules) > 0 && s.Modules[0].Saves > 0 {
		m := &s.Modules[0]
		add("rate.best", "station", wording.Word("rate.station", m.Station), "from", wording.Word("equipment", m.From), "to", wording.Word("equipment", m.To),
			"count", quantity.Round(m.PerHour-s.PerHour, quantity.None, "", 2))
	}
	return out
}

func tenth(v float64) float64     { return math.Round(v*10) / 10 }
func hundredth(v float64) float64 { return math.Round(v*100) / 100 }
