package engine

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lapgate/gateway/journal"
)

// Journal is one chain of records of a line, as the engine knows it.
type Journal struct {
	// Genesis names it: the hash of record 1. Where the first records were gone before
	// the journal was registered, it is that of the first that was there.
	Genesis    journal.Hash
	Mill       string
	Line       string
	Machine    string
	Registered time.Time
	Head       journal.Head // the newest record that arrived
	Arrived    time.Time    // when, by the clock of the engine; zero for none
	// Kept is the head before the first record that is kept: those up to it were removed
	// after their time, or never came.
	Kept journal.Head
}

// Register begins the chain of a journal of this machine and tells how far it has
// arrived; one that is registered already is left as it is. Of j only Genesis, Line and
// Kept are used, the last for a journal whose first records are gone. ErrTaken says that
// it is the journal of another line or machine.
func (c *Conn) Register(ctx context.Context, j Journal) (head journal.Head, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		row := c.pg.QueryRow(ctx, `SELECT head_seq, head_hash FROM lapgate.register($1, $2, $3, $4, $5, $6)`,
			j.Genesis[:], c.mill, j.Line, c.machine, int64(j.Kept.Seq), j.Kept.Hash[:])
		head, err = scanHead(row)
		return err
	})
	return head, err
}

func scanHead(row pgx.Row) (head journal.Head, err error) {
	var seq int64
	var hash []byte
	if err := row.Scan(&seq, &hash); err != nil {
		return head, err
	}
	return headOf(seq, hash)
}

func headOf(seq int64, hash []byte) (head journal.Head, err error) {
	if len(hash) != len(head.Hash) || seq < 0 {
		return head, fmt.Errorf("the engine has head %d with a hash of %d bytes", seq, len(hash))
	}
	head.Seq = uint64(seq)
	copy(head.Hash[:], hash)
	return head, nil
}

// MostRecords is how many records one Append takes.
const MostRecords = 10000

// Append hands records of a journal on, in order and without holes, and returns the
// newest record that the engine has of it. Records that it has already do no harm. The
// errors are ErrHole, ErrFork, ErrHash, ErrUnknownJournal, ErrNotReplicated, and those
// after which nothing is known.
func (c *Conn) Append(ctx context.Context, genesis journal.Hash, records []journal.Entry) (head journal.Head, err error) {
	if len(records) == 0 || len(records) > MostRecords {
		return head, fmt.Errorf("%d records at once, want 1 to %d", len(records), MostRecords)
	}
	var b batch
	for i := range records {
		b.add(&records[i])
	}
	err = c.write(ctx, func(ctx context.Context) error {
		row := c.pg.QueryRow(ctx, `SELECT head_seq, head_hash FROM lapgate.append($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			genesis[:], int64(records[0].Seq), records[0].Prev[:], b.micros, b.kinds, b.rolls, b.tags, b.verdicts, b.reasons, b.bodies, b.hashes)
		head, err = scanHead(row)
		return err
	})
	return head, err
}

// batch is records by column.
type batch struct {
	micros, rolls           []int64
	kinds, bodies           []string
	tags, verdicts, reasons []*string
	hashes                  [][]byte
}

func (b *batch) add(e *journal.Entry) {
	c := columnsOf(e.Record)
	b.micros = append(b.micros, e.At.UnixMicro())
	b.rolls = append(b.rolls, int64(e.Record.RollNo()))
	b.kinds = append(b.kinds, string(e.Record.Kind()))
	b.bodies = append(b.bodies, string(e.Body))
	b.tags = append(b.tags, orNull(c.tag))
	b.verdicts = append(b.verdicts, orNull(c.verdict))
	b.reasons = append(b.reasons, orNull(c.reason))
	b.hashes = append(b.hashes, e.Hash[:])
}

func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// Journals lists the journals of a line of this mill, of all its lines for an empty one,
// by line and in the order in which they were registered.
func (c *Conn) Journals(ctx context.Context, line string) ([]Journal, error) {
	return c.journals(ctx, &c.mill, orNull(line))
}

func (c *Conn) journals(ctx context.Context, mill, line *string) (out []Journal, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT genesis, mill, line, machine, registered, seq, hash, arrived, kept_after, kept_hash FROM lapgate.heads($1, $2)`, mill, line)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, scanJournal)
		return err
	})
	return out, err
}

func scanJournal(row pgx.CollectableRow) (j Journal, err error) {
	var genesis, hash, kept []byte
	var seq, after int64
	var arrived *time.Time
	if err := row.Scan(&genesis, &j.Mill, &j.Line, &j.Machine, &j.Registered, &seq, &hash, &arrived, &after, &kept); err != nil {
		return j, err
	}
	if arrived != nil {
		j.Arrived = *arrived
	}
	copy(j.Genesis[:], genesis)
	if j.Head, err = headOf(seq, hash); err != nil {
		return j, err
	}
	j.Kept, err = headOf(after, kept)
	return j, err
}

// DropMill removes all that the engine has of a mill and tells how many records that were.
// Only the owner of the tables may; ErrDenied says that the user is not.
func (c *Conn) DropMill(ctx context.Context, mill string) (records int64, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		return c.pg.QueryRow(ctx, `SELECT lapgate.drop_mill($1)`, mill).Scan(&records)
	})
	return records, err
}

// Records are the records of a journal behind one, at most so many, each proved by its
// hash and in the order of the chain.
func (c *Conn) Records(ctx context.Context, genesis journal.Hash, after uint64, limit int) (out []journal.Entry, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT `+rowColumns+` FROM lapgate.records
			WHERE journal = (SELECT journal FROM lapgate.journals WHERE genesis = $1) AND seq > $2 ORDER BY seq LIMIT $3`, genesis[:], int64(after), limit)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, scanEntry)
		return err
	})
	return out, err
}

// scanEntry reads a record that holds.
func scanEntry(row pgx.CollectableRow) (journal.Entry, error) {
	r, err := scanRow(row)
	if err == nil && r.Err != nil {
		err = fmt.Errorf("%w: record %d: %w", ErrDamaged, r.Seq, r.Err)
	}
	return r.Entry, err
}
