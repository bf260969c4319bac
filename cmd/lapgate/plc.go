package main

import (
	"io"

	"github.com/spf13/cobra"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/plc"
)

func (p *program) plcCommand() *cobra.Command {
	var f sourceFlags
	var line string
	var nodes, second bool
	cmd := &cobra.Command{
		Use:   "plc",
		Short: "Print the controller's side of the handshake as Structured Text",
		Long: `Plc prints the controller's side of the handshake for one line of the
configuration, in IEC 61131-3 Structured Text: type declarations, the function
block, and a program with inputs, outputs, task and configuration that shows how
it is called. It uses plain constructs only, so that any vendor's compiler takes
it. The times and permissives that the configuration names for the controller
are in it; where the areas stand is printed by lapgate map.

With --second it prints a second form out of the same source, for controllers
without unsigned types, functions or types of one's own: one program of BOOL,
INT, DINT and arrays of them.

With --nodeset it prints the OPC UA NodeSet2 of the line instead.

The program is no safety function. Read the caution at its beginning: it is
reviewed, completed with the limits of the machine and the states its outputs
fall to, and loaded by people who are trained and licensed for it. Until then it
rejects each recipe and gives no output.`,
		Example: "  lapgate plc --config line.yaml > lapgate.st\n  lapgate plc --config line.yaml --second > lapgate.st\n  lapgate plc --config line.yaml --nodeset > lapgate.NodeSet2.xml",
		Args:    takes(),
		RunE: func(*cobra.Command, []string) error {
			snapshot, err := p.load(&f)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, line)
			if err != nil {
				return err
			}
			if nodes {
				text, err := plc.NodeSet(plc.Namespace{URI: opcua.NamespaceURI, Line: l.Recipe.Name, Block: opcua.NodeName})
				if err != nil {
					return err
				}
				_, err = p.stdout.Write(text)
				return err
			}
			form := plc.First
			if second {
				form = plc.Second
			}
			text, err := plc.Program(configs.ControllerTemplate(), form, programSettings(l))
			if err != nil {
				return err
			}
			_, err = io.WriteString(p.stdout, text)
			return err
		},
	}
	f.add(cmd)
	addLine(cmd, &line, firstLine)
	cmd.Flags().BoolVar(&second, "second", false, "print the second form: BOOL, INT, DINT and arrays of them only")
	cmd.Flags().BoolVar(&nodes, "nodeset", false, "print the OPC UA NodeSet2 instead")
	return cmd
}

func programSettings(l *config.Line) plc.Settings {
	t := &l.Controller.Program
	return plc.Settings{
		Permissives: l.Recipe.Limits.Permissives, CommitTTL: t.CommitTTL,
		HeartbeatLoss: t.HeartbeatLoss, Publication: t.Publication,
		Address: connect.Registers(l),
	}
}
