package journal

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"lapgate/gateway/record"
)

// Owner is whose journal it has to be: a line of an installation. What the
// installation knows of its journals stands in a folder outside of them: a random
// number that tells it from others, and of each line how far its journal was. So a
// journal of another line, one restored from a backup and one begun anew are told
// from the one that the line last wrote.
type Owner struct {
	Line   string
	Folder string // of the state, made where it is missing
}

// OwnedBy says whose journal is opened. A new one begins with an ORIGIN record that
// says so; Doubts tells what speaks against one that is there. The marker of an open
// journal stands in the folder too.
func OwnedBy(o Owner) Option {
	return func(j *Journal) { j.owner = o }
}

// kept is what is known of the journal of a line outside of it.
type kept struct {
	Line string `json:"line"`
	Head Head   `json:"head"` // once durable, at least so far
}

func (o Owner) file() string         { return filepath.Join(o.Folder, o.Line+".json") }
func (o Owner) installation() string { return filepath.Join(o.Folder, "installation") }

// keep stores how far the journal is. It replaces the file whole.
func (o Owner) keep(head Head, folders *Folders) error {
	if o.Line == "" || head == (Head{}) {
		return nil
	}
	b, err := json.Marshal(kept{Line: o.Line, Head: head})
	if err != nil {
		return err
	}
	if err := replace(o.file(), append(b, '\n'), folders.sync); err != nil {
		return fmt.Errorf("state of the journal: %w", err)
	}
	return nil
}

// keep stores how far the journal is, once what was doubted of it is in it.
func (j *Journal) keep() error {
	if len(j.doubts) > 0 && !j.told {
		return nil
	}
	return j.owner.keep(j.head, j.folders)
}

// recall reads how far the journal of the line was; ok is false where nothing is known.
func (o Owner) recall() (k kept, ok bool, err error) {
	b, err := os.ReadFile(o.file())
	if errors.Is(err, fs.ErrNotExist) {
		return k, false, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &k)
	}
	if err != nil {
		return k, false, fmt.Errorf("state of the journal: %s: %w; move it away, and the journal is taken as it is", o.file(), err)
	}
	return k, true, nil
}

var installationName = regexp.MustCompile(`^[0-9a-f]{32}$`)

// name reads the number of the installation, empty where it has none yet.
func (o Owner) name() (string, error) {
	b, err := os.ReadFile(o.installation())
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	name := strings.TrimSpace(string(b))
	if !installationName.MatchString(name) {
		return "", fmt.Errorf("state of the journal: %s holds no number of an installation: want 32 hexadecimal digits; "+
			"restore it from a backup, or move it away, and each journal has to be accepted once", o.installation())
	}
	return name, nil
}

// named reads the number of the installation, or draws it at the first start.
func (o Owner) named() (string, error) {
	if err := os.MkdirAll(o.Folder, 0o750); err != nil {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	name, err := o.name()
	if err != nil || name != "" {
		return name, err
	}
	b := make([]byte, 16)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	name = hex.EncodeToString(b)
	// A link fails where another line was faster, and then its number counts.
	part := o.installation() + "." + o.Line + ".part"
	if err := writeDurably(part, []byte(name+"\n")); err != nil {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	if err := os.Link(part, o.installation()); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	if err := errors.Join(os.Remove(part), syncDir(o.Folder)); err != nil {
		return "", fmt.Errorf("state of the journal: %w", err)
	}
	return o.name()
}

// Doubts tells what speaks against the journal at path being the one that the line
// last wrote; nothing where all is well or nothing is known. It only reads.
func (o Owner) Doubts(ctx context.Context, r *Reader) ([]string, error) {
	head, err := r.Head(ctx)
	if err != nil {
		return nil, err
	}
	k, known, err := o.recall()
	if err != nil {
		return nil, err
	}
	if known && k.Head == head {
		return nil, nil
	}
	if known && k.Head.Seq <= head.Seq {
		at, err := r.hashAt(ctx, k.Head.Seq)
		if err != nil || at == k.Head.Hash {
			return nil, err // it goes on where the line was, and was looked at then
		}
	}
	name, err := o.name()
	if err != nil {
		return nil, err
	}
	var out []string
	if known {
		out = append(out, fmt.Sprintf("the journal of the line had %d records, and this one is another or lags: it has %d, and not that one; it was restored from a backup, cut off or begun anew",
			k.Head.Seq, head.Seq))
	}
	first, err := r.List(ctx, Filter{Limit: 1})
	if err != nil || len(first) == 0 {
		return out, err
	}
	if x, ok := first[0].Record.(record.Origin); ok {
		if x.Line != o.Line {
			out = append(out, fmt.Sprintf("it is the journal of line %s", x.Line))
		}
		if x.Installation != name {
			out = append(out, fmt.Sprintf("it is of installation %s, this one is %s", x.Installation, name))
		}
	}
	return out, nil
}

// hashAt is the hash of a record of a journal or of its archives, zero where there is
// none.
func (r *Reader) hashAt(ctx context.Context, seq uint64) (h Hash, err error) {
	take := func(e Entry) error { h = e.Hash; return nil }
	if err := r.Walk(ctx, Filter{FromSeq: seq, ToSeq: seq}, take); err != nil || h != (Hash{}) {
		return h, err
	}
	whole, err := OpenWhole(ctx, r.path)
	if err != nil {
		return h, err
	}
	defer func() { err = errors.Join(err, whole.Close()) }()
	err = whole.Walk(ctx, Filter{FromSeq: seq, ToSeq: seq}, take)
	return h, err
}

// Doubts tells what speaks against the journal that was opened being the one that the
// line last wrote. They were looked for when it was opened.
func (j *Journal) Doubts() []string { return j.doubts }

// own looks for doubts, and begins a new journal with its origin.
func (j *Journal) own(ctx context.Context) error {
	if j.owner.Line == "" {
		return nil
	}
	name, err := j.owner.named()
	if err != nil {
		return err
	}
	j.told = false
	j.name = name
	if j.doubts, err = j.owner.Doubts(ctx, j.Reader); err != nil {
		return err
	}
	if j.opened.Created {
		aside, err := filepath.Glob(escapeGlob(j.path) + damagedEnding + "*")
		if err != nil {
			return err
		}
		if len(aside) > 0 {
			j.doubts = append(j.doubts, fmt.Sprintf("it was begun anew beside one that was set aside, %s", aside[len(aside)-1]))
		}
	}
	if j.head != (Head{}) {
		return nil
	}
	_, err = j.append(ctx, record.Origin{Line: j.owner.Line, Installation: name})
	return err
}

// escapeGlob lets a path stand for itself in a pattern.
func escapeGlob(path string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}
