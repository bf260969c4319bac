// Lapgate reads each finished roll of a wrapping line, computes its wrap
// recipe, proves it against interlocked limits, delivers it to the line's
// controller, waits for the controller's own verdict and keeps a durable
// record. It is advisory: never a safety function.
package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/connect"
	"lapgate/gateway/handbook"
	"lapgate/gateway/present"
)

func main() {
	p := &program{signals: interrupts(), env: os.Environ(), stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr}
	os.Exit(p.run(os.Args[1:]))
}

// The exit codes. exitCodes tells them to people.
const (
	exitDone        = 0
	exitFailed      = 1 // failed at run time
	exitUsage       = 2
	exitConfig      = 3 // the configuration is invalid
	exitUnreachable = 4 // the controller cannot be reached
	exitDifferences = 5 // a check, a verification or a comparison found differences
	exitFenced      = 6 // another gateway serves every line; to start again would make the two take turns
)

// exitCodes is what people read of each exit code, in the help, the manual and the
// handbook.
func exitCodes() []handbook.Exit {
	return []handbook.Exit{
		{Code: exitDone, Meaning: "done", Remedy: "Nothing has to be done."},
		{Code: exitFailed, Meaning: "failed at run time", Remedy: "Read the message: it names the file, the peer or the record that failed. Nothing was done by half, unless it says \"not reached\": then the act holds on one machine of a pair alone."},
		{Code: exitUsage, Meaning: "wrong usage", Remedy: "Read the message, or what the command tells with --help."},
		{Code: exitConfig, Meaning: "configuration invalid", Remedy: "Correct what lapgate check lists; the daemon goes on with the configuration that it has."},
		{Code: exitUnreachable, Meaning: "controller unreachable", Remedy: "See that the controller runs and that the network goes there, then try again."},
		{Code: exitDifferences, Meaning: "a check, verification or comparison found differences (for recipe: the verdict is hold; for a command to the daemon: something stands against it)", Remedy: "Read the list that was printed; each difference names its place."},
		{Code: exitFenced, Meaning: "another gateway serves every line", Remedy: "Find out which gateway should serve the lines, and stop the other one. Do not start this one again before."},
	}
}

// exitCodesText is the sentence of the help on them.
func exitCodesText() string {
	var list []string
	for _, e := range exitCodes() {
		list = append(list, fmt.Sprintf("%d %s", e.Code, e.Meaning))
	}
	return strings.Join(present.Wrap("Exit codes: "+strings.Join(list, "; ")+".", 80), "\n")
}

// exitCodeOf is the exit code that an error asks for.
func exitCodeOf(err error) int {
	var e *exitError
	if errors.As(err, &e) {
		return e.code
	}
	return exitFailed
}

// exitError ends the program with a code. A nil err ends it without a message,
// for a command that has said all on its own.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

func usageError(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}

// program is what every command has of the world.
type program struct {
	env            []string
	stdin          io.Reader
	stdout, stderr io.Writer
	started        bool           // a command began its work: errors are no longer of usage
	signals        chan os.Signal // that ask the process to end; nil where nobody caught them yet
	connections    connect.Dialers
	mill           *time.Location // its time zone, nil while no configuration told of one
}

// run is main without the process.
func run(args, env []string, stdin io.Reader, stdout, stderr io.Writer) int {
	return (&program{env: env, stdin: stdin, stdout: stdout, stderr: stderr}).run(args)
}

// run does what the arguments say, and returns the exit code.
func (p *program) run(args []string) int {
	p.connections.Lookup = p.lookup
	root := p.root()
	root.SetArgs(args)
	root.SetIn(p.stdin)
	root.SetOut(p.stdout)
	root.SetErr(p.stderr)
	called, err := root.ExecuteC()
	if err == nil {
		return exitDone
	}
	var e *exitError
	switch {
	case errors.As(err, &e):
	case p.started:
		e = &exitError{exitFailed, err}
	default:
		e = &exitError{exitUsage, err}
	}
	if e.err != nil {
		fmt.Fprintln(p.stderr, present.CleanLines(e.err.Error()))
	}
	if e.code == exitUsage {
		fmt.Fprintf(p.stderr, "Run '%s --help' for usage.\n", called.CommandPath())
	}
	return e.code
}

func (p *program) root() *cobra.Command {
	this := thisBuild()
	root := &cobra.Command{
		Use:   "lapgate",
		Short: "Recipe gateway for a paper-roll wrapping line",
		Long: `Lapgate stands beside the controller of a paper-roll wrapping line. For each
finished roll it computes the wrap recipe, proves it against interlocked limits,
delivers it, waits for the controller's verdict and keeps a durable record.

It is advisory and never a safety function. Guards, emergency stops,
over-temperature trips and hydraulic relief stay in safety-rated hardware.

` + exitCodesText(),
		Version:       this.String(),
		SilenceErrors: true,
		SilenceUsage:  true,
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			p.started = true
			return p.release(cmd)
		},
	}
	root.SetFlagErrorFunc(plainFlagError)
	root.SetVersionTemplate("{{.Version}}\n")
	root.Flags().Bool("version", false, "print the version")
	for _, g := range p.groups() {
		root.AddGroup(&cobra.Group{ID: g.title, Title: g.title + ":"})
		for _, c := range g.commands {
			c.GroupID = g.title
			root.AddCommand(c)
		}
		root.SetHelpCommandGroupID(g.title) // the last one
	}
	takeCommandsOnly(root)
	p.completeValues(root)
	return root
}

// group is what one kind of person needs of the program.
type group struct {
	title    string
	commands []*cobra.Command
}

func (p *program) groups() []group {
	return []group{
		{"Line (serve it, act on it)", []*cobra.Command{
			p.runCommand(), p.statusCommand(), p.armCommand(), p.pairCommand(), p.takeoverCommand(), p.disarmCommand(), p.holdCommand(), p.alarmsCommand(), p.confirmCommand(), p.overrideCommand(), p.hangCommand(), p.stockCommand(), p.stationCommand(), p.reloadCommand(), p.restartCommand(),
		}},
		{"Recipe (what a roll gets, what a change would do)", []*cobra.Command{
			p.recipeCommand(), p.widthsCommand(), p.rateCommand(), p.replayCommand(), p.compareCommand(), p.calibrateCommand(),
		}},
		{"Controller (check it, map it, program it)", []*cobra.Command{
			p.probeCommand(), p.checkCommand(), p.conformCommand(), p.mapCommand(), p.plcCommand(), p.tagsCommand(), p.trustCommand(),
		}},
		{"Record (what was done)", []*cobra.Command{p.whyCommand(), p.journalCommand(), p.reportCommand()}},
		{"Test bench (a line that is simulated)", []*cobra.Command{p.demoCommand(), p.simCommand(), p.acceptCommand()}},
		{"Set-up", []*cobra.Command{
			p.initCommand(), p.configCommand(), p.wordsCommand(), p.doctorCommand(), p.supportCommand(), p.engineCommand(),
			p.handbookCommand(), p.manCommand(), p.completionCommand(), p.versionCommand(),
		}},
	}
}

// takeCommandsOnly lets a command that has commands of its own take nothing
// else, and name the one that was probably meant.
func takeCommandsOnly(c *cobra.Command) {
	if !c.HasSubCommands() {
		return
	}
	if c.RunE == nil {
		c.RunE = func(c *cobra.Command, _ []string) error {
			var names []string
			for _, sub := range c.Commands() {
				if sub.IsAvailableCommand() {
					names = append(names, sub.Name())
				}
			}
			return usageError("a command is missing; want one of %s", strings.Join(names, ", "))
		}
	}
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		return unknownCommand(c, args[0])
	}
	for _, sub := range c.Commands() {
		takeCommandsOnly(sub)
	}
}

// unknownCommand names the command that was probably meant.
func unknownCommand(c *cobra.Command, name string) error {
	c.SuggestionsMinimumDistance = 2 // letters that may be wrong
	text := ""
	if near := c.SuggestionsFor(name); len(near) > 0 {
		text = "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return usageError("unknown command %q for %q%s", name, c.CommandPath(), text)
}

// getenv returns a variable of the environment handed in, "" when not set.
func (p *program) getenv(name string) string {
	for i := len(p.env) - 1; i >= 0; i-- {
		if k, v, ok := cutEnv(p.env[i]); ok && k == name {
			return v
		}
	}
	return ""
}

func cutEnv(s string) (key, value string, ok bool) {
	for i := 1; i < len(s); i++ {
		if s[i] == '=' {
			return s[:i], s[i+1:], true
		}
	}
	return "", "", false
}
