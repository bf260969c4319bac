package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/plc"
)

func (p *program) mapCommand() *cobra.Command {
	var f sourceFlags
	var out outputFlags
	var line string
	var every, markdown bool
	cmd := &cobra.Command{
		Use:   "map",
		Short: "Print where every field stands in the controller",
		Long: `Map prints every field of every block for one line of the configuration: the
register as most tools for controllers count it (400001 and up) and its address
counted from zero as it goes over the wire, or for OPC UA the node and the element
within its array; type, order, scale, unit, range, direction and meaning.

Of the outcome ring it lists the first of 64 entries; --every-entry lists all.

Of a line with controller.profile mapped it prints the tags: both notations of the
address or the node, type, order, scale, unit, range and direction; then what has
no tag, and which of the guarantees S1 to S10 the tags give. In CSV all of this is
one table, whose first column tells the kinds of rows apart.

Without a configuration it prints the map of the demo.`,
		Example: "  lapgate map --config line.yaml --csv > map.csv\n  lapgate map --config line.yaml --markdown",
		Args:    takes(),
		RunE: func(*cobra.Command, []string) error {
			if markdown && (out.JSON || out.CSV) {
				return usageError("--markdown excludes --json and --csv")
			}
			l, err := p.loadLine(&f, line)
			if err != nil {
				return err
			}
			if l.Mapped != nil {
				if every {
					return usageError("--every-entry: line %s has tags, and shows one outcome at a time", l.Recipe.Name)
				}
				return p.printTagMap(l, out, markdown)
			}
			places := connect.Places(l)
			if every {
				places.Entries = handshake.OutEntries
			}
			if markdown {
				return plc.Markdown(p.stdout, l.Recipe.Name, plc.Map(places))
			}
			return p.printer(out, l.Recipe).Print(plc.Map(places))
		},
	}
	f.add(cmd)
	addLine(cmd, &line, firstLine)
	cmd.Flags().BoolVar(&markdown, "markdown", false, "print Markdown, a table for each block")
	out.add(cmd)
	cmd.Flags().BoolVar(&every, "every-entry", false, "list every entry of the outcome ring")
	return cmd
}

func (p *program) printTagMap(l *config.Line, out outputFlags, markdown bool) error {
	rows, err := plc.MapTags(l.Mapped, connect.TagsOver(l))
	if err != nil {
		return err
	}
	if markdown {
		return plc.TagsMarkdown(p.stdout, l.Recipe.Name, rows)
	}
	return p.printer(out, l.Recipe).Print(rows)
}
