package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lapgate/recipe/wording"
)

func (p *program) wordsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "words [FILE]",
		Short: "Print the sentences that people at the line read, or check a translation",
		Long: `Words prints the table of all sentences that people at the line read: each with its
key and the sentence in English, and an empty column for the translation. Written
into a file and translated, it is named by words.file of the configuration. Codes,
names, numbers and units stay as they are, and so do the journal and what is said
of the configuration.

With a file words checks it, and lists what has no translation yet and what says
something else in English than when it was translated. configs/words-de.csv is a
sample in German. A translation is read and approved by the mill's own people
before it is used, the cautions above all.`,
		Example: `  lapgate words > words-fr.csv
  lapgate words words-fr.csv`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usageError("lapgate words takes one translation at most, got %d arguments", len(args))
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 1 {
				return p.checkWords(args[0])
			}
			fmt.Fprint(p.stdout, wording.Template())
			return nil
		},
	}
}

// checkWords lists what a translation lacks. Its errors have the exit codes of an
// invalid configuration and of differences.
func (p *program) checkWords(path string) error {
	f, err := openFile(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // only read
	_, lacks, err := wording.Read(path, f)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	for _, key := range lacks.Missing {
		fmt.Fprintln(p.stdout, "missing", key)
	}
	for _, key := range lacks.Changed {
		fmt.Fprintln(p.stdout, "changed", key)
	}
	if n := len(lacks.Missing) + len(lacks.Changed); n > 0 {
		return &exitError{exitDifferences, errors.New(path + ": " + plural(n, "sentence") + " to translate or to look at again")}
	}
	fmt.Fprintf(p.stdout, "%s has all %d sentences\n", path, len(wording.Entries()))
	return nil
}
