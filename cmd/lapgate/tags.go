package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"lapgate/gateway/connect"
	"lapgate/gateway/tags"
)

func (p *program) tagsCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tags",
		Short: "Tags of a controller that cannot take the blocks",
	}
	cmd.AddCommand(p.tagsImportCommand(), p.tagsFieldsCommand())
	return cmd
}

// tagField is one field that a tag can stand for.
type tagField struct {
	Field    string   `json:"field"`
	Unit     string   `json:"unit"`
	Required bool     `json:"required"`
	Breaks   []string `json:"gives_up" label:"gives up"` // guarantees, without a tag
	Meaning  string   `json:"meaning" print:"drop=1"`
}

func (p *program) tagsFieldsCommand() *cobra.Command {
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "fields",
		Short: "List the fields that a tag can stand for",
		Long: `Fields lists every field of the handshake that a tag can stand for, with the
unit it is in, whether it is required, and which of the guarantees S1 to S10 are
given up without it.`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error { return p.printer(out, nil).Print(tagFields()) },
	}
	out.add(cmd)
	return cmd
}

func tagFields() []tagField {
	required, rests := tags.Required(), tags.Rests()
	var out []tagField
	for _, f := range tags.Fields() {
		row := tagField{Field: f.Name, Unit: f.Info.Unit, Required: slices.Contains(required, f.Name), Meaning: f.Info.Doc}
		if f.Form == tags.OneBit {
			row.Unit = ""
		}
		if i := slices.IndexFunc(rests, func(r tags.Rest) bool { return r.Field == f.Name }); i >= 0 {
			row.Breaks = rests[i].Breaks
		}
		out = append(out, row)
	}
	return out
}

// tagsImportFlags are the flags of `tags import`.
type tagsImportFlags struct {
	source sourceFlags
	line   string
	write  string
	output outputFlags
}

func (p *program) tagsImportCommand() *cobra.Command {
	var f tagsImportFlags
	cmd := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Turn a table of tags into a section of the configuration",
		Long: `Import reads a table of tags as CSV, checks it, and prints the section "tags" of
the configuration and how it differs from the tags configured now; --csv prints
the differences alone. It changes nothing; with --write it writes the section to a new file. A file named - is
standard input.

The table has a line of headings: field and type, one of register, address and
node, and bit, length, scale and unit where they are wanted. register is the
number as manuals print it, 40001 and up; address counts from zero.

Exit code 5 when the tags differ from those configured, 3 when the table or the
configuration is invalid.`,
		Example: `  lapgate tags import tags.csv --config mill.yaml
  lapgate tags import tags.csv --config mill.yaml --write tags.yaml`,
		Args: takes("one table of tags"),
		RunE: func(_ *cobra.Command, args []string) error { return p.importTags(args[0], &f) },
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
	f.output.add(cmd)
	cmd.Flags().StringVar(&f.write, "write", "", "write the section to this file, which must not be there yet")
	return cmd
}

func (p *program) importTags(path string, f *tagsImportFlags) error {
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	line, err := lineNamed(snapshot, f.line)
	if err != nil {
		return err
	}
	in, err := p.openTable(path)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }() // only read
	rows, err := tags.ReadTable(in.name, in)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	found, err := tags.Import(in.name, rows, line.Mapped, connect.TagsOver(line))
	if err != nil {
		return &exitError{exitConfig, err}
	}
	found.Line, found.Config = line.Recipe.Name, snapshot.File
	if f.output.isText() {
		fmt.Fprint(p.stdout, found.Text())
		for _, l := range found.Left {
			fmt.Fprintln(p.stderr, "still to do: "+l)
		}
	} else if err := p.printer(f.output, line.Recipe).Print(found); err != nil {
		return err
	}
	if f.write != "" {
		if err := writeNew(f.write, 0o644, writing(found.Section)); err != nil {
			return err
		}
		fmt.Fprintf(p.stderr, "wrote %s\n", f.write)
	}
	if len(found.Differences) > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}
