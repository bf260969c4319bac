package main

import (
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/configs"
)

func (p *program) configCommand() *cobra.Command {
	var f sourceFlags
	var output outputFlags
	var changed, schema, reference bool
	cmd := &cobra.Command{
		Use:   "config [KEY...]",
		Short: "Print every value in force and where it comes from",
		Long: `Config prints each key with its value in force and its origin: default,
file:line, environment or flag. Secrets are shown as ***. KEY chooses a key or a
section, as lines.0.limits. Exit code 3 when the configuration is invalid.

With --reference it prints the reference configuration of this version, and with
--schema its JSON Schema, which editors use to complete and mark keys.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, keys []string) error {
			if schema || reference {
				given := len(keys) + cmd.Flags().NFlag()
				if given > 1 {
					return usageError("--schema and --reference go alone: they print what this version knows, not a configuration")
				}
				text := configs.Schema()
				if reference {
					text = configs.Reference()
				}
				_, err := p.stdout.Write(text)
				return err
			}
			s, err := p.load(&f)
			if err != nil {
				return err
			}
			out := []valueRow{}
			for _, v := range s.Effective() {
				if chosen(v.Key, keys) && !(changed && v.Origin == "default") {
					out = append(out, valueRow(v))
				}
			}
			if len(out) == 0 && len(keys) > 0 && !changed {
				quoted := make([]string, len(keys))
				for i, k := range keys {
					quoted[i] = strconv.Quote(k)
				}
				return usageError("no key is or begins with %s; lapgate config lists all", strings.Join(quoted, " or "))
			}
			return p.printer(output, nil).Print(out)
		},
	}
	f.add(cmd)
	output.add(cmd)
	cmd.Flags().BoolVar(&changed, "changed", false, "only what is not the default")
	cmd.Flags().BoolVar(&schema, "schema", false, "print the JSON Schema of a configuration")
	cmd.Flags().BoolVar(&reference, "reference", false, "print the reference configuration")
	return cmd
}

// valueRow is a value of the configuration as it is printed.
type valueRow struct {
	Key     string `json:"key"`
	Value   string `json:"value"`
	Origin  string `json:"origin"`
	Restart string `json:"restart,omitempty" label:"-"`
}

// chosen reports whether a key is one of those named or below one.
func chosen(key string, keys []string) bool {
	for _, k := range keys {
		if key == k || strings.HasPrefix(key, strings.TrimSuffix(k, ".")+".") {
			return true
		}
	}
	return len(keys) == 0
}
