package main

import (
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/sim"
)

// processFlags are the flags of what press, paper and scanner are truly like.
type processFlags struct {
	faults []string
	spread bool
}

func (f *processFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringSliceVar(&f.faults, "process", nil, "faults of the process that stand from some roll on, as NAME or NAME=STRENGTH up to 1, or all; --process help lists them")
	fl.BoolVar(&f.spread, "spread", false, "let the press truly lie as far from what is known of it as its uncertainties say, so that bonds are short as often as stated")
}

// help reports whether the list of faults is wanted.
func (f *processFlags) help() bool { return slices.Contains(f.faults, "help") }

// wanted reads the faults and tells what is wrong with them.
func (f *processFlags) wanted() ([]sim.WantedFault, error) {
	var names []string
	for _, p := range sim.ProcessFaults() {
		names = append(names, p.Name)
	}
	var all []sim.WantedFault
	for _, text := range f.faults {
		name, strength, given := strings.Cut(text, "=")
		if name != "all" && !slices.Contains(names, name) {
			return nil, usageError("--process: no fault of the process is named %q; want all or any of %s", name, strings.Join(names, ", "))
		}
		one := sim.WantedFault{Name: name}
		if given {
			v, err := strconv.ParseFloat(strength, 64)
			if err != nil || !(v > 0 && v <= 1) {
				return nil, usageError("--process: the strength of %s is %q; want a number above 0 and up to 1", name, strength)
			}
			one.Strength = v
		}
		all = append(all, one)
	}
	return all, nil
}

// put sets what the flags say of the simulation of a configured line.
func (f *processFlags) put(c *sim.Config, line *recipe.Line) error {
	var err error
	c.Process.Faults, err = f.wanted()
	if f.spread {
		rehearse.SpreadPress(c, line)
	}
	return err
}
