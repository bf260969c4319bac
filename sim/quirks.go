package sim

import (
	"fmt"
	"slices"
	"strings"

	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

// Quirk is one named way in which the controller of the simulated line is like one by
// another maker, the whole shift long. The description allows it, expects a
// gateway to bear it, or it is a defect that an acceptance has to find.
type Quirk struct {
	Name string `json:"quirk"`
	Text string `json:"what"`
	set  func(*Config)
}

// Quirks lists every quirk.
func Quirks() []Quirk {
	const lag, firstFalse, back, jump = 10, 5, 4, 70
	return []Quirk{
		{"late-result", "the result comes ten publications after its phase", func(c *Config) { c.Quirks.Lag = lag }},
		{"late-offer", "the result and the last offer come ten publications after their phase", func(c *Config) { c.Quirks.Lag, c.Quirks.LagOffer = lag, true }},
		{"late-phase", "the phase comes as late as the result and the last offer", func(c *Config) { c.Quirks.Lag, c.Quirks.LagOffer, c.Quirks.LagPhase = lag, true, true }},
		{"late-verdict", "the verdict is 0 in the first publication of each result", func(c *Config) { c.Quirks.LateVerdict = true }},
		{"strict-areas", "every request is refused but one for a whole block; the payload cannot be read", func(c *Config) { c.Quirks.Strict = true }},
		{"bad-entries", "entries of the ring that nobody wrote yet are bad over OPC UA", func(c *Config) { c.Quirks.NeverWritten = controller.Bad }},
		{"waiting-entries", "entries of the ring that nobody wrote yet wait for their initial data over OPC UA", func(c *Config) { c.Quirks.NeverWritten = controller.Waiting }},
		{"false-count", "one publication says that 70 more rolls left than did", func(c *Config) { c.Quirks.From, c.Quirks.Jump = firstFalse, jump }},
		{"false-roll-number", "one publication says a roll number of before", func(c *Config) { c.Quirks.From, c.Quirks.RollBack = firstFalse, back }},
		{"roll-number-back", "from the fifth roll on the roll number is less by four", func(c *Config) {
			c.Quirks.From, c.Quirks.RollBack, c.Quirks.ForGood = firstFalse, back, true
		}},
		{"strange-tags", "the tags of the rolls are any bytes", func(c *Config) { c.StrangeTags = true }},
		{"greatest-floor", "the floor of epochs is FFFFFFFF, so that no session can be opened", func(c *Config) { c.Floor = 0xFFFFFFFF }},
		{"own-press", "the press keeps to a temperature and a dwell of its own, whatever the recipe says", func(c *Config) { c.Ignored |= 1 << registers.GroupHeader }},
		{"own-feed", "the line winds one layer more than its people would, whatever the recipe says", func(c *Config) { c.Ignored |= 1 << registers.GroupWrap }},
		{"no-limits", "the controller does not publish its limits", func(c *Config) { c.Program.ShowLimits = false }},
	}
}

// SetQuirks gives the controller the quirks of these names.
func (c *Config) SetQuirks(names ...string) error {
	all := Quirks()
	known := namesOf(all, func(q *Quirk) string { return q.Name })
	for _, name := range names {
		i := slices.Index(known, name)
		if i < 0 {
			return fmt.Errorf("no quirk is named %q; want any of %s", name, strings.Join(known, ", "))
		}
		all[i].set(c)
	}
	return nil
}
