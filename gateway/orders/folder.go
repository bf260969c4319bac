package orders

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/table"
)

// Folder is a folder into which the mill's system drops tables of orders, all
// those named *.csv. They are taken as one whole or not at all: while one of
// them is half written or has anything wrong, the orders stay as they were.
// Poll is for one goroutine; the other methods may be called by any.
type Folder struct {
	fsys      fs.FS
	materials atomic.Pointer[recipe.Materials]
	seen      []stamp // at the poll before, nil before the first
	judged    []stamp // that were read last, whatever came of it
	with      *recipe.Materials
	current   atomic.Pointer[Orders]
}

// stamp is what a file looks like from outside.
type stamp struct {
	name string
	size int64
	time time.Time
}

// NewFolder returns a folder without orders; Poll reads them. Their grades are
// those of the materials.
func NewFolder(fsys fs.FS, m *recipe.Materials) *Folder {
	f := &Folder{fsys: fsys}
	f.current.Store(&Orders{})
	f.materials.Store(m)
	return f
}

// Orders returns the orders in force.
func (f *Folder) Orders() *Orders { return f.current.Load() }

// Use has the orders read again with other materials, at the next poll.
func (f *Folder) Use(m *recipe.Materials) { f.materials.Store(m) }

// Poll looks whether the folder changed, and reads it when it has not changed
// any more since the last poll, so that a file still being written is left
// alone. It reports whether other orders are in force now. The error tells all
// problems at once, a *table.Problems for each table; the same files are not
// reported again.
func (f *Folder) Poll() (changed bool, err error) {
	now, err := f.list()
	if err != nil {
		return false, fmt.Errorf("folder of orders: %w; the orders stay as they were", err)
	}
	still := f.seen != nil && slices.Equal(now, f.seen)
	f.seen = now
	m := f.materials.Load()
	if !still || f.with == m && slices.Equal(now, f.judged) {
		return false, nil
	}
	orders, problems, err := f.load(now, m)
	switch {
	case errors.Is(err, errChanged):
		return false, nil // the next poll sees it
	case err != nil:
		return false, fmt.Errorf("folder of orders: %w; the orders stay as they were", err)
	}
	f.judged, f.with = now, m
	if problems != nil {
		return false, problems
	}
	f.current.Store(orders)
	return true, nil
}

func (f *Folder) list() ([]stamp, error) {
	entries, err := fs.ReadDir(f.fsys, ".")
	if err != nil {
		return nil, err
	}
	out := []stamp{}
	for _, e := range entries {
		if e.IsDir() || strings.ToLower(path.Ext(e.Name())) != ".csv" {
			continue
		}
		// A link, pipe or device is no file that somebody dropped here: it may lead
		// to what others must not read, or never end.
		if !e.Type().IsRegular() {
			return nil, fmt.Errorf("%s is no regular file; take it away", clip(e.Name()))
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue // gone since; the next poll sees it
		}
		if err != nil {
			return nil, err
		}
		out = append(out, stamp{e.Name(), info.Size(), info.ModTime()})
	}
	return out, nil
}

// maxBytes bounds a table of orders by what is read of it, whatever it says of its
// size: a hundred thousand orders take a tenth.
const maxBytes = 64 << 20

// bound ends a file that goes on for too long. left is below zero then.
type bound struct {
	in   io.Reader
	left int
}

func (b *bound) Read(p []byte) (int, error) {
	if b.left < 0 {
		return 0, io.ErrUnexpectedEOF
	}
	n, err := b.in.Read(p[:min(len(p), b.left+1)])
	b.left -= n
	return n, err
}

// clip is the beginning of a text that others wrote, for a message.
func clip(text string) string {
	const most = 40
	if r := []rune(text); len(r) > most {
		text = string(r[:most]) + "…"
	}
	return strconv.Quote(text)
}

// errChanged tells that a file changed or went while it was read.
var errChanged = errors.New("the folder changed")

// load reads all files. problems tell what is wrong in them; err that they
// could not be read.
func (f *Folder) load(files []stamp, m *recipe.Materials) (o *Orders, problems, err error) {
	g := newGathering(m)
	for _, s := range files {
		wrong, err := f.loadFile(g, s)
		if err != nil {
			return nil, nil, err
		}
		problems = errors.Join(problems, wrong)
	}
	return &Orders{g.orders}, problems, nil
}

func (f *Folder) loadFile(g *gathering, s stamp) (problems, err error) {
	file, err := f.fsys.Open(s.name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errChanged
	}
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // only read
	bounded := &bound{file, maxBytes}
	problems = g.read(s.name, bounded)
	if bounded.left < 0 {
		return fmt.Errorf("%s has more than %d bytes; split it, or take it away", s.name, maxBytes), nil
	}
	var whole *table.Problems
	if problems != nil && !errors.As(problems, &whole) {
		return nil, problems
	}
	after, err := file.Stat()
	switch {
	case err != nil:
		return nil, err
	case after.Size() != s.size || !after.ModTime().Equal(s.time):
		return nil, errChanged
	}
	return problems, nil
}
