package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/engine"
	"lapgate/recipe"
)

// journalFlags say which journals a command reads, in files or in the engine, and by which
// line of which configuration.
type journalFlags struct {
	source        sourceFlags
	line          string
	engine        bool
	mill, machine string
}

// add adds the flags; unnamed tells which line is meant where none is named.
func (f *journalFlags) add(cmd *cobra.Command, unnamed string) {
	f.source.add(cmd)
	addLine(cmd, &f.line, unnamed)
	cmd.Flags().BoolVar(&f.engine, "engine", false, "read what has arrived in the engine of the configuration, in place of a file")
	cmd.Flags().StringVar(&f.mill, "mill", "", "mill whose journals are read from the engine, "+engine.EveryMill+" for every one (default engine.mill)")
	cmd.Flags().StringVar(&f.machine, "machine", "", "read the journals of this machine alone from the engine (default every one)")
}

// Which line is meant beside a journal where none is named.
const (
	likeJournal = "that of the journal, else the first"
	everyLine   = "every one; beside a journal " + likeJournal
)

// args wants no argument with --engine, and what else takes wants without.
func (f *journalFlags) args(without cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case !f.engine && f.mill+f.machine != "":
			return usageError("--mill and --machine choose journals of the engine: give --engine, or leave them out")
		case f.engine && len(args) > 0:
			return usageError("--engine reads the journals of the engine: leave %s out, or --engine", args[0])
		case f.engine:
			return nil
		}
		return without(cmd, args)
	}
}

// configured reports whether a flag is given that only a configuration gives a meaning.
func (f *journalFlags) configured() bool {
	return f.source.path != "" || f.line != "" || len(f.source.set) > 0
}

// choice are the journals that flags choose of a line, of all lines for none.
func (f *journalFlags) choice(line string) engine.Choice {
	return engine.Choice{Mill: f.mill, Line: line, Machine: f.machine}
}

// config reads the configuration that the flags name, nil where they name none.
func (f *journalFlags) config(p *program) (*config.Snapshot, error) {
	switch {
	case p.names(&f.source):
		return p.load(&f.source)
	case f.line != "" || len(f.source.set) > 0:
		return nil, usageError("--line and --set need the configuration that they are of: name it with --config, or $%s", configVariable)
	}
	return nil, nil
}

// journals are those that a command reads.
type journals struct {
	list  []journalSource
	flags *journalFlags
	// snapshot is the configuration by which they are read, nil where it was not read yet or
	// none is named.
	snapshot *config.Snapshot
	reading  *engine.Reading // nil for files
}

func (j *journals) close() {
	if j.reading != nil {
		j.reading.Close()
	}
}

// names are the names of the journals, for a report.
func (j *journals) names() string {
	var names []string
	for _, s := range j.list {
		names = append(names, s.name)
	}
	return strings.Join(names, "; ")
}

// openJournals opens the journal of an argument, none for no argument, or with --engine those
// of the line named, of all lines for none.
func (p *program) openJournals(ctx context.Context, args []string, f *journalFlags) (*journals, error) {
	if !f.engine {
		j := &journals{flags: f}
		for _, path := range args {
			j.list = append(j.list, fileSource(path))
		}
		return j, nil
	}
	s, r, err := p.reading(ctx, &f.source)
	if err != nil {
		return nil, err
	}
	return f.arrived(ctx, s, r, f.line)
}

// openLine is openJournals of one line: of the first of the configuration where none is
// named.
func (p *program) openLine(ctx context.Context, args []string, f *journalFlags) (*journals, error) {
	if !f.engine {
		return p.openJournals(ctx, args, f)
	}
	s, r, err := p.reading(ctx, &f.source)
	if err != nil {
		return nil, err
	}
	return f.arrivedOf(ctx, s, r)
}

// arrivedOf are the journals of one line in the engine.
func (f *journalFlags) arrivedOf(ctx context.Context, s *config.Snapshot, r *engine.Reading) (*journals, error) {
	line := f.line
	if line == "" {
		line = s.Lines[0].Recipe.Name
	}
	return f.arrived(ctx, s, r, line)
}

// arrived are the journals of a line in the engine, of all lines for none. The connection is
// closed where there are none.
func (f *journalFlags) arrived(ctx context.Context, s *config.Snapshot, r *engine.Reading, line string) (*journals, error) {
	list, err := arrived(ctx, r, f.choice(line))
	if err != nil {
		r.Close()
		return nil, err
	}
	return &journals{list: list, flags: f, snapshot: s, reading: r}, nil
}

// config is the configuration by which the journals are read, and the line of it: the one
// named, else that of the first journal, else the first. Both are nil where no configuration
// is named.
func (j *journals) config(ctx context.Context, p *program) (*config.Snapshot, *config.Line, error) {
	if j.snapshot == nil {
		s, err := j.flags.config(p)
		if err != nil || s == nil {
			return nil, nil, err
		}
		j.snapshot = s
	}
	line, err := j.lineIn(ctx, j.snapshot)
	return j.snapshot, line, err
}

// lineIn is the line of a configuration that config tells of.
func (j *journals) lineIn(ctx context.Context, s *config.Snapshot) (*config.Line, error) {
	if len(j.list) == 0 {
		return lineNamed(s, j.flags.line)
	}
	return j.list[0].lineIn(ctx, s, j.flags.line)
}

// units is the line in whose units to print what is of the journals, nil where no
// configuration is named.
func (j *journals) units(ctx context.Context, p *program) (*recipe.Line, error) {
	_, line, err := j.config(ctx, p)
	if err != nil || line == nil {
		return nil, err
	}
	return line.Recipe, nil
}

// lineIn returns the line of a configuration that is named, else the one that the journal is
// of, else the first.
func (s *journalSource) lineIn(ctx context.Context, of *config.Snapshot, name string) (*config.Line, error) {
	if name != "" {
		return lineNamed(of, name)
	}
	own, err := s.lineName(ctx)
	if err != nil {
		return nil, err
	}
	if i := slices.IndexFunc(of.Lines, func(l config.Line) bool { return l.Recipe.Name == own }); i >= 0 {
		return &of.Lines[i], nil
	}
	return &of.Lines[0], nil
}

// longestAnswer bounds one question to the engine: one over months of a mill takes its time.
const longestAnswer = 10 * time.Minute

// reading is a configuration that has to be named, and a connection that reads its engine.
func (p *program) reading(ctx context.Context, f *sourceFlags) (*config.Snapshot, *engine.Reading, error) {
	s, err := p.loadNamed(f)
	if err != nil {
		return nil, nil, err
	}
	r, err := p.readingOf(ctx, s)
	return s, r, err
}

// readingOf is a connection that reads the engine of a configuration.
func (p *program) readingOf(ctx context.Context, s *config.Snapshot) (*engine.Reading, error) {
	settings, err := p.engineOf(s)
	if err != nil {
		return nil, err
	}
	settings.Timeout = longestAnswer
	return engine.Read(ctx, settings)
}

// arrived lists the journals chosen of the engine. There is one at least.
func arrived(ctx context.Context, r *engine.Reading, of engine.Choice) (out []journalSource, err error) {
	list, err := r.Journals(ctx, of)
	if err != nil {
		return nil, err
	}
	for _, j := range list {
		out = append(out, engineSource(r, j))
	}
	if len(out) > 0 {
		return out, nil
	}
	of.Line, of.Machine = "", ""
	all, err := r.Journals(ctx, of)
	var names []string
	for _, j := range all {
		names = append(names, fmt.Sprintf("line %s of machine %s", j.Line, j.Machine))
	}
	if len(names) == 0 {
		names = []string{"none"}
	}
	return nil, errors.Join(err, fmt.Errorf("the engine has no such journal; it has: %s", strings.Join(slices.Compact(names), ", ")))
}
