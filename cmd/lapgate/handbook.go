package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lapgate/configs"
	"lapgate/gateway/handbook"
)

func (p *program) handbookCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "handbook",
		Short: "Print the handbook: one HTML page to read offline or to print",
		Long: `Handbook prints the handbook of this very version as one HTML page that loads
nothing: the night shift, every code with its remedy, installing, commissioning,
backup and restore, upgrade, security, commands and keys. Print it and put it where
the line is; a printed one holds for the version that it names.`,
		Example: `  lapgate handbook --output handbook.html`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			var page bytes.Buffer
			if err := handbook.Page(&page, configs.Handbook(), p.facts(cmd.Root())); err != nil {
				return err
			}
			return p.write(path, writing(page.String()))
		},
	}
	addOutput(cmd, &path)
	return cmd
}

func (p *program) manCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "man FOLDER",
		Short: "Write the manual pages: one of lapgate, one of each command",
		Long: `Man writes the manual pages of this version into a folder, which it makes where it
is not there. Those that are there already are written over. Where the folder is
/usr/local/share/man/man1, man lapgate-arm shows that of the command arm.`,
		Example: `  lapgate man man1`,
		Args:    takes("the folder to write to"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := new(folder).Set(args[0]); err != nil {
				return usageError("%q: %w", args[0], err)
			}
			root := cmd.Root()
			errs := []error{os.MkdirAll(args[0], 0o755)}
			pages := handbook.ManPages(p.facts(root), root.Short, root.Long)
			for _, page := range pages {
				errs = append(errs, os.WriteFile(filepath.Join(args[0], page.Name), []byte(page.Text), 0o644))
			}
			if err := errors.Join(errs...); err != nil {
				return err
			}
			_, err := fmt.Fprintf(p.stdout, "wrote %s to %s\n", plural(len(pages), "page"), args[0])
			return err
		},
	}
}

// facts are what handbook and manual are made from: the commands as they are called,
// and the exit codes.
func (p *program) facts(root *cobra.Command) *handbook.Facts {
	f := &handbook.Facts{Version: version(), Exits: exitCodes()}
	for _, g := range root.Groups() {
		for _, c := range root.Commands() {
			if c.GroupID == g.ID && c.IsAvailableCommand() {
				f.Commands = append(f.Commands, factsOf(c))
			}
		}
	}
	return f
}

func factsOf(c *cobra.Command) handbook.Command {
	out := handbook.Command{
		Path: c.CommandPath(), Use: c.UseLine(), Short: c.Short, Long: c.Long, Example: unindented(c.Example), Group: c.GroupID,
	}
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		value, usage := pflag.UnquoteUsage(f)
		if f.Hidden || f.Name == "help" {
			return
		}
		if nothing := []string{"", "false", "[]", "0", "0s"}; !strings.Contains(usage, "(default") && !slices.Contains(nothing, f.DefValue) {
			usage += " (default " + f.DefValue + ")"
		}
		out.Flags = append(out.Flags, handbook.Flag{Name: f.Name, Letter: f.Shorthand, Value: value, Usage: usage})
	})
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() {
			out.Commands = append(out.Commands, factsOf(sub))
		}
	}
	return out
}

// unindented takes away the two spaces that cobra wants before each line.
func unindented(text string) string {
	return strings.TrimPrefix(strings.ReplaceAll(text, "\n  ", "\n"), "  ")
}
