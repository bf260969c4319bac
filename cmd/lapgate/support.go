package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/present"
	"lapgate/recipe/wording"
)

// supportFlags are the flags of `support`.
type supportFlags struct {
	source  sourceFlags
	output  outputFlags
	timeout time.Duration
	log     string
	records int
	yes     bool
}

// mostLog is how much of the end of a log goes into an archive.
const mostLog = 1 << 20

func (p *program) supportCommand() *cobra.Command {
	var f supportFlags
	cmd := &cobra.Command{
		Use:   "support [FILE.tar.gz]",
		Short: "Gather one archive for help from afar, without secrets",
		Long: `Support gathers what somebody afar needs to help: the version, the configuration
with stars in place of secrets, what check and doctor find, the newest records of each
journal with its head, and the end of a log where --log names one. It lists each part
with its size and what is left out, and asks before the archive is written; without a
terminal it needs --yes. No file is overwritten.

The records name persons and rolls. Look into the archive before you send it.`,
		Example: `  lapgate support --config mill.yaml
  lapgate support --config mill.yaml --log today.log`,
		Args: mayTake("one archive to write at most"),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := "lapgate-support-" + time.Now().UTC().Format("20060102T150405Z") + ".tar.gz"
			if len(args) > 0 {
				path = args[0]
			}
			return p.support(cmd.Context(), path, &f)
		},
	}
	f.source.add(cmd)
	f.output.add(cmd)
	addTimeout(cmd, &f.timeout, 30*time.Second)
	addYes(cmd, &f.yes)
	cmd.Flags().StringVar(&f.log, "log", "", "a log of the daemon, of which the end is put in")
	cmd.Flags().IntVar(&f.records, "records", 500, "so many of the newest records of each journal, 0 for none")
	return cmd
}

// part is one file of an archive.
type part struct {
	Name  string `json:"name"`
	Bytes int    `json:"bytes"`
	What  string `json:"what"`
	text  []byte
}

// gathered is what support lists before it writes.
type gathered struct {
	Archive string   `json:"archive"`
	Parts   []part   `json:"parts" print:"csv"`
	LeftOut []string `json:"left_out" label:"left out"`

	scrub *strings.Replacer
}

func (g *gathered) add(name, what string, text []byte) {
	text = []byte(g.scrub.Replace(string(text)))
	g.Parts = append(g.Parts, part{name, len(text), what, text})
}

func (g *gathered) addJSON(name, what string, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err == nil {
		g.add(name, what, append(text, '\n'))
	}
	return err
}

func (p *program) support(ctx context.Context, path string, f *supportFlags) error {
	if f.records < 0 {
		return usageError("--records: got %d, want 0 or more", f.records)
	}
	if _, err := os.Lstat(path); err == nil {
		return alreadyThere(path)
	}
	s, err := p.load(&f.source)
	if err != nil {
		return err
	}
	out, err := p.gather(ctx, s, f)
	if err != nil {
		return err
	}
	out.Archive = path
	if err := p.printer(f.output, nil).Print(out); err != nil {
		return err
	}
	if err := p.agreed(nil, f.yes, question{wording.Plain("Write it?"), wording.Plain("an archive"), wording.Plain("nothing was written")}); err != nil {
		return err
	}
	if err := writeNew(path, 0o600, out.pack); err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	return nil
}

// gather makes the parts of an archive.
func (p *program) gather(ctx context.Context, s *config.Snapshot, f *supportFlags) (*gathered, error) {
	out := &gathered{scrub: p.scrubber(s), LeftOut: []string{"passwords, tokens, private keys and certificates; what a secret key says stands as ***"}}
	c := checked{File: s.File, Valid: true, Hash: handshake.ConfigHash(s.Hash).String(),
		Problems: problemRows(nil), Warnings: problemRows(s.Warnings), Unmeasured: problemRows(s.Unmeasured)}
	out.add("configuration.yaml", "the configuration, stars in place of secrets", []byte(s.Text()))
	var failed []error
	for _, one := range []struct {
		name, what string
		value      any
	}{
		{"version.json", "the program", thisBuild()},
		{"values.json", "every value in force and where it comes from", s.Effective()},
		{"check.json", "what check finds", c},
		{"doctor.json", "what doctor finds", examined{p.examine(ctx, s, f.timeout)}},
	} {
		failed = append(failed, out.addJSON(one.name, one.what, one.value))
	}
	for i := range s.Lines {
		failed = append(failed, out.addJournal(ctx, s, &s.Lines[i], f.records))
	}
	if f.log == "" {
		out.LeftOut = append(out.LeftOut, "the log of the daemon, which --log names")
	} else {
		text, err := tailOf(f.log)
		failed = append(failed, err)
		out.add("daemon.log", fmt.Sprintf("the last %d bytes of the log at most", mostLog), text)
	}
	return out, errors.Join(failed...)
}

// addJournal puts in the newest records of a line.
func (g *gathered) addJournal(ctx context.Context, s *config.Snapshot, l *config.Line, records int) error {
	path := s.Journal.Path(l.Recipe.Name)
	r, err := journal.OpenWhole(ctx, path)
	if errors.Is(err, fs.ErrNotExist) || records == 0 {
		g.LeftOut = append(g.LeftOut, fmt.Sprintf("records of line %s", l.Recipe.Name))
		return nil
	}
	if err != nil { // doctor tells of it
		g.LeftOut = append(g.LeftOut, fmt.Sprintf("records of line %s: %v", l.Recipe.Name, err))
		return nil
	}
	defer func() { _ = r.Close() }() // only read from
	var text bytes.Buffer
	lines := json.NewEncoder(&text)
	for v, err := range r.Views(ctx, journal.Filter{Newest: true, Limit: records}, l.Recipe) {
		if err == nil {
			err = lines.Encode(v)
		}
		if err != nil {
			g.LeftOut = append(g.LeftOut, fmt.Sprintf("records of line %s: %v", l.Recipe.Name, err))
			return nil
		}
	}
	head, err := r.Head(ctx)
	g.add("journal-"+l.Recipe.Name+".jsonl", fmt.Sprintf("the newest %d records at most, of %d", records, head.Seq), text.Bytes())
	g.LeftOut = append(g.LeftOut, fmt.Sprintf("older records of line %s", l.Recipe.Name))
	return err
}

// tailOf is the end of a log, from the beginning of a line.
func tailOf(path string) (text []byte, err error) {
	f, err := openFile(path)
	if err != nil {
		return nil, fmt.Errorf("--log: %w", err)
	}
	defer func() { _ = f.Close() }() // only read from
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("--log: %w", err)
	}
	from := max(0, info.Size()-mostLog)
	if text, err = io.ReadAll(io.NewSectionReader(f, from, mostLog)); err != nil {
		return nil, fmt.Errorf("--log: %w", err)
	}
	if from > 0 {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	return text, nil
}

// shortest is the length of a line of a secret that is looked for: a shorter one, as of
// a key, stands in many texts that are none.
const shortest = 4

// scrubber puts stars wherever a secret of the configuration stands, which a log may
// have by mistake.
func (p *program) scrubber(s *config.Snapshot) *strings.Replacer {
	var pairs []string
	for _, k := range s.Secrets() {
		secret, err := config.ReadSecret(k.Source, p.lookup)
		if err != nil {
			continue // doctor tells of it
		}
		for line := range strings.Lines(secret) {
			if line = strings.TrimSpace(line); len(line) >= shortest && !strings.HasPrefix(line, "-----") {
				pairs = append(pairs, line, "***")
				if quoted, err := json.Marshal(line); err == nil {
					pairs = append(pairs, strings.Trim(string(quoted), `"`), "***")
				}
			}
		}
	}
	return strings.NewReplacer(pairs...)
}

// pack writes the archive.
func (g *gathered) pack(w io.Writer) error {
	packed := gzip.NewWriter(w)
	files := tar.NewWriter(packed)
	for _, one := range g.Parts {
		header := &tar.Header{Name: "lapgate-support/" + present.Clean(one.Name), Mode: 0o600, Size: int64(len(one.text)), ModTime: time.Now()}
		if err := files.WriteHeader(header); err != nil {
			return err
		}
		if _, err := files.Write(one.text); err != nil {
			return err
		}
	}
	return errors.Join(files.Close(), packed.Close())
}
