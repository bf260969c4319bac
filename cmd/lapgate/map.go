package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/opcua"
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
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if markdown && (out.JSON || out.CSV) {
				return usageError("--markdown excludes --json and --csv")
			}
			snapshot, err := p.load(&f)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, line)
			if err != nil {
				return err
			}
			if l.Mapped != nil {
				if every {
					return usageError("--every-entry: line %s has tags, and shows one outcome at a time", l.Recipe.Name)
				}
				return p.printTagMap(l, out, markdown)
			}
			places := placesOf(l)
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

// placesOf tells where the blocks of a configured line stand.
func placesOf(l *config.Line) plc.Places {
	if l.Controller.Protocol == config.OPCUA {
		s := connect.Server(l)
		namespace := s.NamespaceURI
		if namespace == "" {
			namespace = opcua.NamespaceURI
		}
		return plc.Places{Node: func(id handshake.ID, entry int) string {
			name, ok := s.Nodes[id]
			if !ok {
				name = opcua.NodeName(s.Line, id, entry)
			}
			return nodeText(namespace, name, entry)
		}}
	}
	b := &l.Controller.Bases
	base := map[handshake.ID]uint16{
		handshake.REQ: b.Request, handshake.OUT: b.Outcomes, handshake.HEARTBEAT: b.Heartbeat, handshake.HELLO: b.Hello,
		handshake.PAYLOAD: b.Payload, handshake.COMMIT: b.Commit, handshake.ACK: b.Ack,
	}
	return plc.Places{Address: func(id handshake.ID, entry int) int {
		at := int(base[id])
		if id == handshake.OUT {
			at += entry * handshake.OutWords
		}
		return at
	}}
}

// nodeText writes a node with the name of its namespace, whose number differs
// from server to server. A configured identifier may say its kind itself, and
// has an asterisk where the two digits of an entry go.
func nodeText(namespace, identifier string, entry int) string {
	identifier = strings.Replace(identifier, "*", fmt.Sprintf("%02d", entry), 1)
	if len(identifier) < 2 || identifier[1] != '=' || !strings.ContainsRune("sigb", rune(identifier[0])) {
		identifier = "s=" + identifier
	}
	return "nsu=" + namespace + ";" + identifier
}
