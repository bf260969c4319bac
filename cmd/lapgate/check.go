package main

import (
	"errors"
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
)

func (p *program) checkCommand() *cobra.Command {
	var f sourceFlags
	var asJSON, values bool
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Validate a configuration offline, all problems at once",
		Long: `Check validates a configuration as run would, and reports every problem with
its place, what was got, what was wanted and the remedy. Exit code 3 when the
configuration is invalid.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			src, err := p.source(&f, nil)
			if err != nil {
				return err
			}
			if src.Path == "" {
				return usageError("no configuration is named; give --config FILE or set %s", configVariable)
			}
			if asJSON {
				return p.checkJSON(src, values)
			}
			s, err := p.loadSource(src)
			if err != nil {
				return err
			}
			return p.printChecked(s, values)
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&values, "values", false, "print every value in force and where it comes from")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func (p *program) printChecked(s *config.Snapshot, values bool) error {
	if values {
		t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
		for _, v := range s.Effective() {
			fmt.Fprintf(t, "%s\t%s\t%s\n", v.Key, v.Value, v.Origin)
		}
		return t.Flush()
	}
	word := "lines"
	if len(s.Lines) == 1 {
		word = "line"
	}
	_, err := fmt.Fprintf(p.stdout, "%s: valid, %d %s, %d warnings, hash %08x\n", s.File, len(s.Lines), word, len(s.Warnings), s.Hash)
	return err
}

// checkJSON prints the verdict as JSON and leaves standard error empty.
func (p *program) checkJSON(src config.Source, values bool) error {
	out := struct {
		File     string           `json:"file"`
		Valid    bool             `json:"valid"`
		Hash     string           `json:"hash,omitempty"`
		Problems []config.Problem `json:"problems"`
		Warnings []config.Problem `json:"warnings"`
		Values   []config.Value   `json:"values,omitempty"`
	}{File: src.Path, Problems: []config.Problem{}, Warnings: []config.Problem{}}
	s, err := config.Load(src)
	var refused *config.Error
	switch {
	case errors.As(err, &refused):
		out.Problems = append(out.Problems, refused.Problems...)
		out.Warnings = append(out.Warnings, refused.Warnings...)
	case err != nil:
		return err
	default:
		out.Valid = true
		out.Hash = fmt.Sprintf("%08x", s.Hash)
		out.Warnings = append(out.Warnings, s.Warnings...)
		if values {
			out.Values = s.Effective()
		}
	}
	if err := p.printJSON(out); err != nil {
		return err
	}
	if !out.Valid {
		return &exitError{code: exitConfig}
	}
	return nil
}
