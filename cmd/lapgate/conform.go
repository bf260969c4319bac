package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/conform"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/recipe/caution"
)

// The times of a proof.
const (
	conformPoll      = 20 * time.Millisecond
	conformReaction  = 5 * time.Second  // or as long as five answers may take
	conformReconnect = 2 * time.Minute  // a controller that is switched off and on
	conformAct       = 20 * time.Second // longer than any GONE_TIME; or as long as twenty answers may take
)

// conformFlags are the flags of `conform`.
type conformFlags struct {
	source  sourceFlags
	line    string
	by      string
	accept  bool
	acts    string
	only    []string
	list    bool
	journal string
	html    string
	output  outputFlags
}

func (p *program) conformCommand() *cobra.Command {
	var f conformFlags
	cmd := &cobra.Command{
		Use:   "conform --by NAME",
		Short: "Prove the program of a controller, rule by rule",
		Long: `Conform stands in for the gateway and drives a controller through the conformance
list of the handshake, case by case. It says what to do at the controller, keeps
the words of each failure, and prints a pass list; --html writes a page to sign.

` + folded(caution.Proof) + `

It refuses while a gateway is alive at the controller or the heartbeat of another
one moves, and unless the unit mode is maintenance or the address is this
machine. It asks for the name of the line, typed in full, and for the answer that
drives, heat and hydraulics are locked out. Its offers are holds; cases that need
a recipe run with --accept-recipes alone, and each is asked for. Every frame is
in a journal of its own before it is written.

Acts at the controller are asked of a person (--acts ask). With --acts none such
cases are not run, and are listed so. With --acts program:PATH the program at
PATH does them, for a controller that is simulated: it is called as "PATH act
NAME" and ends with 0 when the act is done, or as "PATH see NAME" and ends with 0
for yes and 1 for no; 3 says that it cannot. Cases, acts and sights: --list.

Afterwards the epoch floor of the controller is higher, and the journal of the
daemon will show a gap over the rolls of the proof.

Exit code 5 when a case failed, or was not run.`,
		Example: `  lapgate conform --config mill.yaml --line north --by "Kim Berg" --html north.html
  lapgate conform --config mill.yaml --by "Kim Berg" --accept-recipes --case abort --case closing`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if f.list {
				return p.printer(f.output, nil).Print(conform.Catalogue())
			}
			if f.by == "" {
				return usageError("a proof needs --by NAME; its journal keeps it")
			}
			if err := aPage.may(f.html); err != nil {
				return err
			}
			return p.conform(cmd.Context(), &f)
		},
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
	addBy(cmd, &f.by, "")
	fl := cmd.Flags()
	fl.BoolVar(&f.accept, "accept-recipes", false, "also run the cases that offer a recipe, each when it was agreed to")
	addActs(cmd, &f.acts)
	fl.StringArrayVar(&f.only, "case", nil, "run this case alone; may be repeated")
	fl.BoolVar(&f.list, "list", false, "list cases, acts and sights, and do nothing")
	addFolder(cmd, &f.journal, "journal", "", "keep the journal in this directory (default conform in the directory of the journals)")
	fl.StringVar(&f.html, "html", "", "also write one HTML page to this file")
	f.output.add(cmd)
	return cmd
}

func (p *program) conform(ctx context.Context, f *conformFlags) (err error) {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	snapshot, err := p.loadNamed(&f.source)
	if err != nil {
		return err
	}
	l, err := lineNamed(snapshot, f.line)
	if err != nil {
		return err
	}
	out, err := p.proverAt(ctx, f.acts)
	if err != nil {
		return err
	}
	if out.Dialer, err = p.dialer(snapshot, l); err != nil {
		return err
	}
	var j *journal.Journal // begun with the first record, so that a proof that is refused leaves none
	defer func() {
		if j != nil {
			err = errors.Join(err, j.Close())
		}
	}()
	out.Journal = func(ctx context.Context, r record.Record) (err error) {
		if j == nil {
			if j, err = conformJournal(ctx, snapshot, l, f.journal); err != nil {
				return err
			}
		}
		_, err = j.Append(ctx, r)
		return err
	}
	report, proved := conform.Run(ctx, conformSettings(l, f), out)
	if report == nil {
		return conformRefused(proved)
	}
	if f.html != "" {
		if err := aPage.write(f.html, report.Page(p.zone())); err != nil {
			return err
		}
	}
	if err := p.printer(f.output, l.Recipe).Print(report); err != nil {
		return err
	}
	if proved != nil {
		return conformRefused(proved)
	}
	if report.Failed+report.NotRun > 0 {
		return &exitError{exitDifferences, fmt.Errorf("%d cases passed, %d failed, %d were not run", report.Passed, report.Failed, report.NotRun)}
	}
	return nil
}

// conformJournal begins the journal of one proof.
func conformJournal(ctx context.Context, s *config.Snapshot, l *config.Line, dir string) (*journal.Journal, error) {
	if dir == "" {
		dir = filepath.Join(filepath.Dir(s.Journal.Path(l.Recipe.Name)), "conform")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	return journal.Open(ctx, filepath.Join(dir, l.Recipe.Name+"-"+time.Now().UTC().Format("20060102T150405Z")+".db"))
}

// conformRefused gives the end of a proof its exit code.
func conformRefused(err error) error {
	var refused *conform.RefusedError
	var unknown *conform.UnknownCaseError
	switch {
	case errors.As(err, &unknown):
		return usageError("--case: %v", err)
	case errors.As(err, &refused), link.ClassOf(err) == 0:
		return &exitError{exitFailed, err}
	}
	return dialFailed(err)
}

func conformSettings(l *config.Line, f *conformFlags) conform.Settings {
	t, timeout := &l.Controller.Program, l.Controller.Times.RequestTimeout
	return conform.Settings{
		Line: l.Recipe.Name, Address: l.Controller.Address, Loopback: isLoopback(l.Controller.Address), By: f.by,
		Permissives: l.Recipe.Limits.Permissives, Publication: t.Publication, CommitTTL: t.CommitTTL, HeartbeatLoss: t.HeartbeatLoss,
		Poll: conformPoll, Reconnect: conformReconnect, Reaction: max(conformReaction, 5*timeout), ActLimit: max(conformAct, 20*timeout), RequestTimeout: timeout,
		AcceptRecipes: f.accept, Only: f.only,
	}
}

// isLoopback reports whether an address is certainly this machine.
func isLoopback(address string) bool {
	if u, err := url.Parse(address); err == nil && u.Host != "" {
		address = u.Host
	}
	host, _, err := net.SplitHostPort(address)
	return err == nil && config.Loopback(host)
}

// randomNumber is a number of the operating system.
func randomNumber() uint32 {
	var b [4]byte
	_, _ = rand.Read(b[:]) // it never fails
	return uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])
}
