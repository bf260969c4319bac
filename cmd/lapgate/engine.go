package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/checkup"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/engine"
	"lapgate/recipe/wording"
)

func (p *program) engineCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "engine",
		Short: "Set up and check the database in which a mill keeps its record",
		Long: `The engine is a PostgreSQL server in which a mill keeps the records of all its lines, and
in which the two machines of a pair agree who acts. No line waits for it: each machine has
its own journal. The section engine of the configuration says where it is.`,
	}
	cmd.AddCommand(p.engineMigrate(), p.engineCheck(), p.engineAccept())
	return cmd
}

// needsEngine refuses a configuration without an engine.
func needsEngine(s *config.Snapshot) error {
	if s.Engine.Off() {
		return usageError("the configuration has no engine; give engine.address, as in --set engine.address=192.0.2.30:5432")
	}
	return nil
}

// engineOf is how the engine of a configuration is connected to. One without is an error.
func (p *program) engineOf(s *config.Snapshot) (engine.Settings, error) {
	if err := needsEngine(s); err != nil {
		return engine.Settings{}, err
	}
	settings, err := connect.Engine(s, p.lookup)
	if err != nil {
		return settings, &exitError{exitConfig, err}
	}
	return settings, nil
}

// withEngine is the configuration that the flags must name, which has an engine. No secret
// is read.
func (p *program) withEngine(f *sourceFlags) (*config.Snapshot, error) {
	s, err := p.loadNamed(f)
	if err != nil {
		return nil, err
	}
	return s, needsEngine(s)
}

// migrated is what migrate did.
type migrated struct {
	From int `json:"from" label:"version before"`
	To   int `json:"to" label:"version now"`
}

func (p *program) engineMigrate() *cobra.Command {
	var f sourceFlags
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Make the tables of the mill's record, or bring them up to this program",
		Long: `Migrate makes the tables, functions and roles of the mill's record, or brings them up to
what this program needs. Run it as their owner, whom no daemon logs in as. It may run
while daemons write, and beside itself; what stands already is left as it is. Tables are
brought up first and daemons after, one by one: an older program goes on with newer
tables until these say that it cannot.`,
		Example: `  lapgate engine migrate --config mill.yaml --set engine.user=lapgate_owner --set engine.password=file:owner.secret`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := p.loadNamed(&f)
			if err != nil {
				return err
			}
			settings, err := p.engineOf(s)
			if err != nil {
				return err
			}
			var done migrated
			if done.From, done.To, err = engine.Migrate(cmd.Context(), settings); err != nil {
				return err
			}
			return p.printer(out, nil).Print(done)
		},
	}
	f.add(cmd)
	out.add(cmd)
	return cmd
}

func (p *program) engineCheck() *cobra.Command {
	var f sourceFlags
	var output outputFlags
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Look at the engine as the daemon would, each line with a remedy",
		Long: `Check connects to each address of the engine as the daemon would and changes nothing:
whether it answers and is the engine that is known, what is lost there in a power cut or a
failover, the version of the tables, and what the user may do and may not. Doctor looks
at the same among all else. Exit code 5 when something is wrong.`,
		Example: `  lapgate engine check --config mill.yaml`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := p.withEngine(&f)
			if err != nil {
				return err
			}
			out := examined{checkup.Engine(cmd.Context(), s, checkup.System{Lookup: p.lookup, Now: time.Now})}
			if err := p.printer(output, nil).Print(out); err != nil {
				return err
			}
			return out.err()
		},
	}
	f.add(cmd)
	output.add(cmd)
	return cmd
}

func (p *program) engineAccept() *cobra.Command {
	var f sourceFlags
	var yes bool
	cmd := &cobra.Command{
		Use:   "accept",
		Short: "Believe the engine that answers, though another one is known",
		Long: `Accept lets this machine believe the engine that answers next. A daemon remembers the
engine by the number that its server was set up with and by its timeline, and refuses
another, and one that was left behind when its copy took over. Accept only after the
server was set up anew, or restored from a backup, on purpose; what it does not hold of
the journals is sent again. Two servers that both take records are never a reason.`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error {
			s, err := p.withEngine(&f)
			if err != nil {
				return err
			}
			file := engine.File(s.Identity())
			known, err := file.Load()
			switch {
			case err != nil: // what cannot be read is forgotten too
				fmt.Fprintf(p.stderr, "what is known cannot be read: %v\n", err)
			case known == engine.Identity{}:
				fmt.Fprintln(p.stderr, "no engine is known here: the one that answers next is believed, and nothing has to be accepted")
				return nil
			default:
				fmt.Fprintf(p.stderr, "known is system %d, timeline %d\n", known.System, known.Timeline)
			}
			if err := p.agreed(nil, yes, question{wording.Plain("Forget it, and believe the engine that answers next?"), wording.Plain("engine accept"), wording.Plain("nothing was changed")}); err != nil {
				return err
			}
			return file.Forget()
		},
	}
	f.add(cmd)
	addYes(cmd, &yes)
	return cmd
}
