package bench

import (
	"context"
	"time"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe/caution"
)

// Cautions are shown before anything is asked.
func Cautions() string {
	return caution.Proof.String() + " " + caution.NoStop.String() + " " + caution.Look.String()
}

// Served is a configured line as it is served at a bench, and what is otherwise with it
// than on the line. by answers for the bench.
func Served(l *config.Line, by string) (line config.Line, otherwise []string) {
	const none = "none" // as a configuration says it
	line = *l
	otherwise = []string{
		"This was a bench: outputs to drives, heat and hydraulics were disconnected, for which " + by + " answered by name, and nothing could move. People simulated the sensors, and told what became of each roll.",
		"No roll was wrapped: what the controller reported as used was not held against the recipe, no station did its work, and nobody judged a wrap.",
		"Its rolls and outcomes stand in its own journal. The journal of the daemon will show a gap over them.",
	}
	if !line.Scanner.Off() {
		otherwise = append(otherwise, "The scanner on TCP was left out: the sizes of each roll were those of the controller's own request.")
		line.Scanner.Address = none
	}
	if !line.Orders.Off() {
		otherwise = append(otherwise, "The folder of orders was left out.")
		line.Orders.Directory = none
	}
	line.Arming.Swap = "disarm"
	return line, otherwise
}

// observe reads what became of the rolls from the journal.
func (r *run) observe(ctx context.Context, gatewayErr, stepErr error) (*acceptance.Observed, error) {
	verified, err := journal.Verify(ctx, r.Journal)
	if err != nil {
		return nil, err
	}
	all := map[number][]*record.Roll{}
	err = journal.ScanRolls(ctx, r.Journal, time.Time{}, func(uint64, uint64) {}, func(roll *record.Roll) error {
		n := number{roll.Boot, roll.Number}
		all[n] = append(all[n], roll)
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i := range r.Steps {
		tags := r.Steps[i].Tags()
		if len(r.rolls[i]) < len(tags) || r.seen[i].Why != "" {
			continue
		}
		for k, n := range r.rolls[i] {
			seen, err := acceptance.See(tags[k], all[n])
			if err != nil {
				return nil, err
			}
			seen.Otherwise = nil // it comes of what people entered
			r.seen[i].Seen = append(r.seen[i].Seen, seen)
		}
	}
	var armed []string
	if r.tap.isArmed() {
		armed = []string{"the newest record of the journal that tells of it says that it is armed; a gateway with that journal would write"}
	}
	return &acceptance.Observed{Steps: r.seen, Head: verified.Head.String(), Checks: []acceptance.Check{
		acceptance.NewCheck("the journal verifies", verified.Sentences()),
		acceptance.NewCheck("the line was disarmed at the end", armed),
		acceptance.Ended(gatewayErr, stepErr),
	}}, nil
}
