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

// plcFlags choose what the controller's programmer gets.
type plcFlags struct {
	source        sourceFlags
	line          string
	nodes, second bool
	texts, layout string
}

func (p *program) plcCommand() *cobra.Command {
	var f plcFlags
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

With --layout it prints where the variables of that form stand in data blocks
instead; with --texts the messages for the panel at the line: each phase, hold,
reject and lamp with what to do; with --nodeset the OPC UA NodeSet2.

The program is no safety function. Read the caution at its beginning: it is
reviewed, completed with the limits of the machine and the states its outputs
fall to, and loaded by people who are trained and licensed for it. Until then it
rejects each recipe and gives no output.`,
		Example: `  lapgate plc --config line.yaml > lapgate.st
  lapgate plc --config line.yaml --second --layout csv > layout.csv
  lapgate plc --config line.yaml --texts csv > texts.csv
  lapgate plc --config line.yaml --nodeset > lapgate.NodeSet2.xml`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error { return p.printPLC(&f) },
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
	cmd.Flags().BoolVar(&f.second, "second", false, "print the second form: BOOL, INT, DINT and arrays of them only")
	cmd.Flags().StringVar(&f.layout, "layout", "", "print where the variables stand in data blocks instead, as text, csv or json")
	cmd.Flags().StringVar(&f.texts, "texts", "", "print the messages for the panel at the line instead, as text, csv or json")
	cmd.Flags().BoolVar(&f.nodes, "nodeset", false, "print the OPC UA NodeSet2 instead")
	return cmd
}

func (p *program) printPLC(f *plcFlags) error {
	texts, err := listForm("texts", f.texts)
	if err != nil {
		return err
	}
	layout, err := listForm("layout", f.layout)
	if err != nil {
		return err
	}
	switch {
	case f.texts != "" && (f.layout != "" || f.nodes), f.layout != "" && f.nodes:
		return usageError("--layout, --texts and --nodeset exclude each other; leave out all but one")
	case f.second && (f.texts != "" || f.nodes):
		return usageError("--second is a form of the program; leave it out, or leave out --texts and --nodeset")
	}
	l, err := p.loadLine(&f.source, f.line)
	if err != nil {
		return err
	}
	switch {
	case f.nodes:
		text, err := plc.NodeSet(plc.Namespace{URI: opcua.NamespaceURI, Line: l.Recipe.Name, Block: opcua.NodeName})
		if err != nil {
			return err
		}
		_, err = p.stdout.Write(text)
		return err
	case f.texts != "":
		return p.printer(texts, l.Recipe).Print(plc.Texts(l.Recipe.Limits.Permissives))
	}
	form := plc.First
	if f.second {
		form = plc.Second
	}
	text, err := plc.Program(configs.ControllerTemplate(), form, programSettings(l))
	if err != nil {
		return err
	}
	if f.layout != "" {
		rows, err := plc.Layout(text)
		if err != nil {
			return err
		}
		return p.printer(layout, l.Recipe).Print(rows)
	}
	_, err = io.WriteString(p.stdout, text)
	return err
}

// listForm is the form that a flag names for a list, text where it is not given.
func listForm(flag, name string) (outputFlags, error) {
	var out outputFlags
	switch name {
	case "", "text":
	case "csv":
		out.CSV = true
	case "json":
		out.JSON = true
	default:
		return out, usageError("--%s is %q, want text, csv or json", flag, name)
	}
	return out, nil
}

func programSettings(l *config.Line) plc.Settings {
	t := &l.Controller.Program
	return plc.Settings{
		Permissives: l.Recipe.Limits.Permissives, CommitTTL: t.CommitTTL,
		HeartbeatLoss: t.HeartbeatLoss, Publication: t.Publication,
		Address: connect.Registers(l),
	}
}
