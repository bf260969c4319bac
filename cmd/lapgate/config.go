package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"lapgate/configs"
	"lapgate/gateway/config"
)

func (p *program) configCommand() *cobra.Command {
	var f sourceFlags
	var asJSON, changed, schema, reference bool
	cmd := &cobra.Command{
		Use:   "config [KEY...]",
		Short: "Print every value in force and where it comes from",
		Long: `Config prints each key with its value in force and its origin: default,
file:line, environment or flag. Secrets are shown as ***. KEY chooses a key or a
section, as lines.0.limits. Exit code 3 when the configuration is invalid.

With --reference it prints the reference configuration of this version, and with
--schema its JSON Schema, which editors use to complete and mark keys.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, keys []string) error {
			if schema || reference {
				if schema && reference || len(keys) > 0 {
					return usageError("--schema and --reference go alone, without keys")
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
			out := []config.Value{}
			for _, v := range s.Effective() {
				if chosen(v.Key, keys) && !(changed && v.Origin == "default") {
					out = append(out, v)
				}
			}
			if len(out) == 0 && len(keys) > 0 && !changed {
				return usageError("no key is or begins with %s", strings.Join(keys, " or "))
			}
			if asJSON {
				return p.printJSON(out)
			}
			t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
			for _, v := range out {
				fmt.Fprintf(t, "%s\t%s\t%s\n", v.Key, v.Value, v.Origin)
			}
			return t.Flush()
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&changed, "changed", false, "only what is not the default")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	cmd.Flags().BoolVar(&schema, "schema", false, "print the JSON Schema of a configuration")
	cmd.Flags().BoolVar(&reference, "reference", false, "print the reference configuration")
	return cmd
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
