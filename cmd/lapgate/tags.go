package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/tags"
)

func (p *program) tagsCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tags",
		Short: "Tags of a controller that cannot take the blocks",
		Args:  cobra.NoArgs,
		RunE:  func(*cobra.Command, []string) error { return usageError("tags: a command is missing") },
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
		Args: cobra.NoArgs,
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
}

func (p *program) tagsImportCommand() *cobra.Command {
	var f tagsImportFlags
	cmd := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Turn a table of tags into a section of the configuration",
		Long: `Import reads a table of tags as CSV, checks it, and prints the section "tags" of
the configuration and how it differs from the tags configured now. It changes
nothing; with --write it writes the section to a new file. A file named - is
standard input.

The table has a line of headings: field and type, one of register, address and
node, and bit, length, scale and unit where they are wanted. register is the
number as manuals print it, 40001 and up; address counts from zero.

Exit code 5 when the tags differ from those configured, 3 when the table or the
configuration is invalid.`,
		Example: `  lapgate tags import tags.csv --config mill.yaml
  lapgate tags import tags.csv --config mill.yaml --write tags.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return p.importTags(args[0], &f) },
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
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
	m, left, err := mappingOf(in.name, rows, line)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	fragment := tags.Fragment(rows)
	fmt.Fprint(p.stdout, fragment)
	var now []tags.Tag
	if line.Mapped != nil {
		now = line.Mapped.Tags
	}
	differences := tags.Differences(now, m.Tags)
	fmt.Fprintf(p.stdout, "\n# %d tags; %d differ from line %s of %s\n", len(rows), len(differences), line.Recipe.Name, snapshot.File)
	for i := range differences {
		fmt.Fprintln(p.stdout, "# "+differences[i].String())
	}
	for _, l := range left {
		fmt.Fprintln(p.stderr, "still to do: "+l)
	}
	if f.write != "" {
		if err := writeNew(f.write, fragment); err != nil {
			return err
		}
		fmt.Fprintf(p.stderr, "wrote %s\n", f.write)
	}
	if len(differences) > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}

// mappingOf checks the rows as the tags of a line. What is wrong with a row is
// an error; what the whole still lacks is left to do in the configuration.
func mappingOf(name string, rows []tags.Row, line *config.Line) (m *tags.Mapping, left []string, err error) {
	m = &tags.Mapping{}
	if line.Mapped != nil {
		m.Order, m.TextOrder, m.Waived = line.Mapped.Order, line.Mapped.TextOrder, line.Mapped.Waived
	}
	for i := range rows {
		m.Tags = append(m.Tags, rows[i].Tag)
	}
	var bad []string
	for _, p := range m.Check(connect.TagsOver(line)) {
		text := fmt.Sprintf("%s: %s (got %s, want %s); %s", p.Key, p.Text, p.Got, p.Want, p.Remedy)
		if p.Index < 0 {
			left = append(left, text)
			continue
		}
		bad = append(bad, fmt.Sprintf("%s:%d:1: %s: %s", name, rows[p.Index].Line, rows[p.Index].Field, text))
	}
	if len(bad) > 0 {
		return nil, nil, errors.New(strings.Join(bad, "\n"))
	}
	return m, left, nil
}

// writeNew writes a file that is not there yet.
func writeNew(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	_, err = io.WriteString(f, text)
	return err
}
