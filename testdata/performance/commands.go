package main

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	_ "modernc.org/sqlite" // the bare database

	"lapgate/configs"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// program measures the size of the shipped program.
func program(_ context.Context, b *bench) ([]row, error) {
	info, err := os.Stat(b.binary)
	if err != nil {
		return nil, err
	}
	return []row{{"program, static and stripped", fmt.Sprintf("%.1f MB", float64(info.Size())/1e6), "< 30 MB", "go build -trimpath -ldflags='-s -w'"}}, nil
}

// widthsOfAMillion measures the whole command on a schedule of a million rows.
func widthsOfAMillion(ctx context.Context, b *bench) ([]row, error) {
	schedule, mill := filepath.Join(b.dir, "million.csv"), filepath.Join(b.dir, "mill.yaml")
	f, err := os.Create(schedule)
	if err != nil {
		return nil, err
	}
	w, r := bufio.NewWriter(f), rand.New(rand.NewPCG(1, 2))
	fmt.Fprintln(w, "width (in),diameter (in),spec,core")
	for range 1_000_000 {
		fmt.Fprintf(w, "%.2f,%d,domestic,three-inch\n", 20+float64(r.IntN(60*4))/4, 30+r.IntN(20))
	}
	if err := errors.Join(w.Flush(), f.Close(), os.WriteFile(mill, configs.Demo(), 0o600)); err != nil {
		return nil, err
	}
	least := time.Hour
	for range 5 {
		begun := time.Now()
		out, err := exec.CommandContext(ctx, b.binary, "widths", schedule, "--config", mill).CombinedOutput()
		var ended *exec.ExitError
		const someUnserved = 5
		if err != nil && (!errors.As(err, &ended) || ended.ExitCode() != someUnserved) {
			return nil, fmt.Errorf("widths: %w\n%s", err, out)
		}
		least = min(least, time.Since(begun))
	}
	return []row{{"widths of a million rows, whole command", fmt.Sprintf("%.2f s", least.Seconds()), "< 1 s", "least of 5 runs"}}, nil
}

// bareTable is a table with the columns, indexes and settings of a journal, and nothing more.
type bareTable struct {
	db     *sql.DB
	insert *sql.Stmt
	seq    int
	hash   [32]byte // as long as one, in the two columns that hold one
}

// openBare opens a table, and makes it where create says so.
func openBare(ctx context.Context, path string, create bool) (*bareTable, error) {
	db, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)"+
		"&_pragma=fullfsync(1)&_pragma=checkpoint_fullfsync(1)&_pragma=wal_autocheckpoint(0)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	statements := []string{
		`CREATE TABLE records (seq INTEGER PRIMARY KEY, at INTEGER, kind TEXT, roll_no INTEGER, body TEXT, prev_hash BLOB, hash BLOB) STRICT`,
		`CREATE INDEX records_by_roll ON records (roll_no, seq) WHERE roll_no <> 0`,
		`CREATE INDEX records_by_time ON records (at)`,
	}
	if !create {
		statements = nil
	}
	for _, s := range statements {
		if _, err := db.ExecContext(ctx, s); err != nil {
			return nil, errors.Join(err, db.Close())
		}
	}
	insert, err := db.PrepareContext(ctx, `INSERT INTO records (seq, at, kind, roll_no, body, prev_hash, hash) VALUES (?, ?, ?, ?, ?, ?, ?)`)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &bareTable{db: db, insert: insert}, nil
}

func (t *bareTable) append(ctx context.Context, kind string, roll uint32, body string) error {
	t.seq++
	_, err := t.insert.ExecContext(ctx, t.seq, time.Now().UnixMicro(), kind, roll, body, t.hash[:], t.hash[:])
	return err
}

func (t *bareTable) close() error { return errors.Join(t.insert.Close(), t.db.Close()) }

func median(d []time.Duration) time.Duration { slices.Sort(d); return d[len(d)/2] }

// appending measures a record made durable by the journal against a bare insertion of the same
// columns with the same settings, in turns.
func appending(ctx context.Context, b *bench) (rows []row, err error) {
	j, err := journal.Open(ctx, filepath.Join(b.dir, "append.db"))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	bare, err := openBare(ctx, filepath.Join(b.dir, "bare.db"), true)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, bare.close()) }()
	r := record.Intent{Roll: 7, Tag: "R2026-001190", Payload: make([]uint16, 90)}
	body, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	const n = 250 // before either carries its log over
	var ours, theirs []time.Duration
	for i := range n {
		journalled := func() error { _, err := j.Append(ctx, r); return err }
		inserted := func() error { return bare.append(ctx, "INTENT", 7, string(body)) }
		if i%2 == 0 {
			err = errors.Join(timed(&ours, journalled), timed(&theirs, inserted))
		} else {
			err = errors.Join(timed(&theirs, inserted), timed(&ours, journalled))
		}
		if err != nil {
			return nil, err
		}
	}
	mine, its := median(ours), median(theirs)
	return []row{{"journal append, over bare SQLite", fmt.Sprintf("%.2f (%v)", float64(mine)/float64(its), mine.Round(time.Microsecond)), "≤ 1.10", "medians in turns, same settings, columns and indexes"}}, nil
}

// timed adds the time that something takes to a list.
func timed(list *[]time.Duration, do func() error) error {
	begun := time.Now()
	err := do()
	*list = append(*list, time.Since(begun))
	return err
}
