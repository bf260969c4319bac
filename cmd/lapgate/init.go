package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/setup"
	"lapgate/recipe/caution"
)

func (p *program) initCommand() *cobra.Command {
	answers := map[string]*string{}
	cmd := &cobra.Command{
		Use:   "init FILE",
		Short: "Write a mill's first configuration from ten answers",
		Long: `Init asks ten questions and writes a configuration into a file that is not there
yet. What is answered by flags is not asked; without a terminal all of them are
needed. In a list entries are separated by semicolons, and what an entry tells by
commas.

What must be measured at the line is written open, with how it is measured. Such a
line can be run and stays in shadow, every roll is held, and arm refuses; the
command check lists what is open and ends with exit code 5. Put the measured value
in place of the word.

` + folded(caution.ReachIn) + "\n" + folded(caution.NipPoints),
		Example: initExample(),
		Args:    takes("the file to write"),
		RunE: func(_ *cobra.Command, args []string) error {
			given := setup.Answers{}
			for _, q := range setup.Questions() {
				given[q.Name] = strings.TrimSpace(*answers[q.Name])
			}
			return p.init(args[0], given)
		},
	}
	for _, q := range setup.Questions() {
		answers[q.Name] = cmd.Flags().String(q.Name, "", q.Ask+" "+q.Form)
	}
	return cmd
}

// initExample is a call with all answers.
func initExample() string {
	b := new(strings.Builder)
	b.WriteString("  lapgate init mill.yaml\n  lapgate init mill.yaml")
	for _, q := range setup.Questions() {
		fmt.Fprintf(b, " \\\n    --%s '%s'", q.Name, q.Example)
	}
	return b.String()
}

// init asks for what was not given, and writes the configuration.
func (p *program) init(path string, answers setup.Answers) error {
	if _, err := os.Lstat(path); err == nil {
		return alreadyThere(path)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if missing := answers.Missing(); len(missing) > 0 {
		if !isTerminal(p.stdin) {
			return usageError("without a terminal every answer is needed; missing are --%s", strings.Join(missing, ", --"))
		}
		if err := p.questions(bufio.NewScanner(p.stdin), answers); err != nil {
			return err
		}
	}
	text, err := setup.Text(answers)
	if err != nil {
		return usageError("%w", err)
	}
	if err := writeNew(path, 0o644, writing(text)); err != nil {
		return err
	}
	s, err := config.Load(config.Source{Path: path})
	if err != nil {
		return invalid(err)
	}
	fmt.Fprintf(p.stdout, "wrote %s: line %s, %s to be measured\n", path, s.Lines[0].Recipe.Name, plural(len(s.Open), "value"))
	fmt.Fprintf(p.stderr, "next: lapgate check %s tells what is to be measured and how\n", path)
	return nil
}

// questions asks what was not answered yet, each question until its answer is one.
func (p *program) questions(in *bufio.Scanner, answers setup.Answers) error {
	for _, q := range setup.Questions() {
		for answers[q.Name] == "" {
			fmt.Fprintf(p.stderr, "%s\n  %s, as in %s\n> ", q.Ask, q.Form, q.Example)
			if !in.Scan() {
				return errors.Join(errors.New("the answers ended before the questions did; nothing was written"), in.Err())
			}
			answer := strings.TrimSpace(in.Text())
			if err := setup.Check(q.Name, answer); answer != "" && err != nil {
				fmt.Fprintln(p.stderr, err)
				continue
			}
			answers[q.Name] = answer
		}
	}
	return nil
}
