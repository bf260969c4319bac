package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/conform"
)

// Who acts at the controller.
const (
	actsAsk     = "ask"
	actsNone    = "none"
	actsProgram = "program:"
)

// addActs adds who acts at a controller that is proved.
func addActs(cmd *cobra.Command, acts *string) {
	cmd.Flags().StringVar(acts, "acts", actsAsk, "who acts at the controller: ask, none, or program:PATH")
}

// proverAt is the world of a proof, without dialer and journal.
func (p *program) proverAt(ctx context.Context, acts string) (conform.Outside, error) {
	answers := lines(ctx, p.stdin)
	read := func(ctx context.Context) (string, error) {
		select {
		case line, ok := <-answers:
			if !ok {
				return "", errors.New("an answer was wanted, and the input is at its end")
			}
			return strings.TrimSpace(line), nil
		case <-ctx.Done():
			return "", ctx.Err()
		}
	}
	out := conform.Outside{
		Random: randomNumber,
		Type: func(ctx context.Context, question string) (string, error) {
			fmt.Fprintf(p.stderr, "\n%s", question)
			return read(ctx)
		},
		Told: func(r conform.Result) {
			fmt.Fprintf(p.stderr, "%-8s %s: %s\n", r.Outcome, r.Case, r.Title)
			if r.Why != "" {
				fmt.Fprintf(p.stderr, "         %s\n", r.Why)
			}
		},
	}
	path, isProgram := strings.CutPrefix(acts, actsProgram)
	switch {
	case acts == actsAsk:
		out.Act, out.See = p.askedActs(read)
	case acts == actsNone:
		out.Act = func(context.Context, conform.Act) error { return conform.ErrNotDone }
		out.See = func(context.Context, conform.Sight) (bool, error) { return false, conform.ErrNotDone }
	case isProgram && path != "":
		out.Act = func(ctx context.Context, a conform.Act) error {
			words := []string{"act", a.Name}
			if a.Roll != "" {
				words = append(words, a.Roll)
			}
			_, err := callActs(ctx, path, words...)
			return err
		}
		out.See = func(ctx context.Context, s conform.Sight) (bool, error) { return callActs(ctx, path, "see", s.Name) }
	default:
		return out, usageError("--acts: got %q, want %s, %s or %sPATH", acts, actsAsk, actsNone, actsProgram)
	}
	return out, nil
}

// askedActs asks a person for acts and sights.
func (p *program) askedActs(read func(context.Context) (string, error)) (func(context.Context, conform.Act) error, func(context.Context, conform.Sight) (bool, error)) {
	// choose asks until one of the words is typed. The word skip is ErrNotDone.
	choose := func(ctx context.Context, words ...string) (string, error) {
		for {
			fmt.Fprintf(p.stderr, "Type %s, or skip: ", strings.Join(words, " or "))
			switch answer, err := read(ctx); {
			case err != nil:
				return "", err
			case answer == "skip":
				return "", conform.ErrNotDone
			case slices.Contains(words, answer):
				return answer, nil
			}
		}
	}
	act := func(ctx context.Context, a conform.Act) error {
		fmt.Fprintf(p.stderr, "\nAt the controller: %s\nCaution: %s\n", a.Text, a.Caution)
		_, err := choose(ctx, "done")
		return err
	}
	see := func(ctx context.Context, s conform.Sight) (bool, error) {
		fmt.Fprintf(p.stderr, "\nAt the controller: %s\n", s.Text)
		answer, err := choose(ctx, "yes", "no")
		return answer == "yes", err
	}
	return act, see
}

// lines gives out the lines of an input until it or the context ends.
func lines(ctx context.Context, in io.Reader) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		for sc := bufio.NewScanner(in); sc.Scan(); {
			select {
			case out <- sc.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// actsCannot is the exit code of a program that cannot do an act.
const actsCannot = 3

// callActs calls the program that acts at a simulated controller.
func callActs(ctx context.Context, path string, words ...string) (bool, error) {
	cmd := exec.CommandContext(ctx, path, words...)
	said, err := cmd.CombinedOutput()
	var ended *exec.ExitError
	switch {
	case err == nil:
		return true, nil
	case errors.As(err, &ended) && ended.ExitCode() == actsCannot:
		return false, conform.ErrNotDone
	case errors.As(err, &ended) && ended.ExitCode() == 1 && words[0] == "see":
		return false, nil
	}
	return false, fmt.Errorf("%s %s: %w: %s", path, strings.Join(words, " "), err, strings.TrimSpace(string(said)))
}
