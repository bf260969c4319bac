package engine

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"

	"lapgate/gateway/journal"
)

// Reading is a connection through which the journals of the engine are read as those of
// files are. Several goroutines may read at once; the connection is theirs in turn.
type Reading struct {
	mu sync.Mutex
	c  *Conn
}

// Read connects for reading alone: a standby serves too, and whichever server answers is
// asked. The errors are those of Connect otherwise.
func Read(ctx context.Context, s Settings) (*Reading, error) {
	s.reading = true
	e := New(s)
	c, err := e.connect(ctx, func(ctx context.Context, c *Conn) error { return c.checkVersion(ctx) })
	if err != nil {
		return nil, err
	}
	return &Reading{c: c}, nil
}

// Close ends the connection, and all that reads through it.
func (r *Reading) Close() { r.c.Close() }

// EveryMill stands for all mills that the engine has.
const EveryMill = "all"

// Choice chooses journals. What is empty chooses all.
type Choice struct {
	Mill    string // EveryMill for all; empty for that of the settings
	Line    string
	Machine string
}

// Journals lists the journals chosen, by mill and line and in the order in which they were
// registered.
func (r *Reading) Journals(ctx context.Context, of Choice) ([]Journal, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	all, err := r.c.journals(ctx, r.mill(of), orNull(of.Line))
	if err != nil || of.Machine == "" {
		return all, err
	}
	var out []Journal
	for _, j := range all {
		if j.Machine == of.Machine {
			out = append(out, j)
		}
	}
	return out, nil
}

func (r *Reading) mill(of Choice) *string {
	switch of.Mill {
	case EveryMill:
		return nil
	case "":
		return &r.c.mill
	}
	return &of.Mill
}

// String names the journal for people.
func (j *Journal) String() string {
	name := fmt.Sprintf("line %s, machine %s, %.8s", j.Line, j.Machine, j.Genesis)
	if j.Mill != "" {
		name = "mill " + j.Mill + ", " + name
	}
	return "engine: " + name
}

// Open reads a journal up to the head that it was listed with. Closing it leaves the
// connection open.
func (r *Reading) Open(j Journal) *journal.Reader {
	return journal.ReaderOf(j.String(), &chain{r: r, j: j})
}

// Found is a record in which a roll was found.
type Found struct {
	Journal Journal
	Seq     uint64
	Roll    uint32
}

// most is how many records of a roll are looked for, the newest.
const most = 200

// FindRoll finds a roll by its tag, and by its number where text is one, in the journals
// chosen; the newest record first.
func (r *Reading) FindRoll(ctx context.Context, of Choice, text string, number uint32) ([]Found, error) {
	all, err := r.Journals(ctx, of)
	if err != nil {
		return nil, err
	}
	named := map[journal.Hash]Journal{}
	var genesis [][]byte
	for _, j := range all {
		named[j.Genesis] = j
		genesis = append(genesis, j.Genesis[:])
	}
	var out []Found
	// By number each journal is asked for itself, since only so its index serves.
	const query = `WITH j AS MATERIALIZED (SELECT journal, genesis, seq FROM lapgate.journals WHERE genesis = ANY($1)),
		f AS ((SELECT j.genesis, r.seq, r.roll_no, r.at FROM lapgate.records r JOIN j ON j.journal = r.journal AND r.seq <= j.seq WHERE r.tag = $2 ORDER BY r.at DESC LIMIT $4)
			UNION ALL
			SELECT j.genesis, n.seq, n.roll_no, n.at FROM j CROSS JOIN LATERAL (SELECT r.seq, r.roll_no, r.at FROM lapgate.records r
				WHERE $3::bigint <> 0 AND r.journal = j.journal AND r.roll_no <> 0 AND r.roll_no = $3 ORDER BY r.seq DESC LIMIT 1) n)
		SELECT genesis, seq, roll_no FROM f ORDER BY at DESC`
	err = r.ask(ctx, func(rows pgx.Rows) error {
		var g []byte
		var seq, roll int64
		if err := rows.Scan(&g, &seq, &roll); err != nil {
			return err
		}
		var hash journal.Hash
		copy(hash[:], g)
		out = append(out, Found{named[hash], uint64(seq), uint32(roll)})
		return nil
	}, query, genesis, searched(text), int64(number), most)
	return out, err
}

// NewestTags are tags of the newest rolls of the journals chosen, the newest first.
func (r *Reading) NewestTags(ctx context.Context, of Choice, limit int) (tags []string, err error) {
	err = r.ask(ctx, func(rows pgx.Rows) error {
		var tag string
		err := rows.Scan(&tag)
		tags = append(tags, tag)
		return err
	}, `SELECT n.tag FROM lapgate.lines l CROSS JOIN LATERAL (SELECT r.tag, r.at FROM lapgate.records r WHERE r.line = l.line AND r.tag IS NOT NULL ORDER BY r.at DESC LIMIT $3) n
		WHERE ($1::text IS NULL OR l.mill = $1) AND ($2::text IS NULL OR l.name = $2) ORDER BY n.at DESC LIMIT $3`, r.mill(of), orNull(of.Line), limit)
	return tags, err
}

// ask calls each with every row of an answer.
func (r *Reading) ask(ctx context.Context, each func(pgx.Rows) error, query string, args ...any) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.c.read(ctx, func(ctx context.Context) error {
		rows, err := r.c.pg.Query(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			if err := each(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	})
}

// chain is one journal, for journal.Reader.
type chain struct {
	r *Reading
	j Journal

	mu     sync.Mutex
	window journal.Filter // time whose numbers are known
	first  uint64         // records of that time, 0 for none
	last   uint64
}

// Close leaves the connection to others.
func (c *chain) Close() error { return nil }

// Head is what the journal was listed with, so that one look sees one state.
func (c *chain) Head(context.Context) (journal.Head, error) { return c.j.Head, nil }

// Before is likewise.
func (c *chain) Before(context.Context) (journal.Head, error) { return c.j.Kept, nil }

// Rows are the records that a filter chooses.
func (c *chain) Rows(ctx context.Context, f journal.Filter, limit int) (out []journal.Row, err error) {
	if !f.From.IsZero() || !f.To.IsZero() {
		first, last, err := c.narrow(ctx, f)
		if err != nil || first == 0 {
			return nil, err
		}
		f.FromSeq = max(f.FromSeq, first)
		if f.ToSeq == 0 || f.ToSeq > last {
			f.ToSeq = last
		}
	}
	if f.ToSeq == 0 || f.ToSeq > c.j.Head.Seq {
		f.ToSeq = c.j.Head.Seq
	}
	var q where
	q.add("journal = (SELECT journal FROM lapgate.journals WHERE genesis = ?)", c.j.Genesis[:])
	q.add("seq >= ?", int64(f.FromSeq))
	q.add("seq <= ?", int64(f.ToSeq))
	if f.Roll != 0 {
		q.add("roll_no <> 0 AND roll_no = ?", int64(f.Roll))
	}
	if f.Kind != "" {
		q.add("kind = ?", string(f.Kind))
	}
	q.times(f)
	order := "seq"
	if f.Newest {
		order = "seq DESC"
	}
	err = c.r.ask(ctx, func(rows pgx.Rows) error {
		row, err := scanRow(rows)
		out = append(out, row)
		return err
	}, `SELECT `+rowColumns+` FROM lapgate.records WHERE `+q.String()+` ORDER BY `+order+fmt.Sprintf(" LIMIT %d", limit), q.args...)
	if f.Newest {
		slices.Reverse(out)
	}
	return out, err
}

// narrow finds the numbers of the first and the last record of a time, 0 for none. Time
// has an index of its own, and a planner that looks for the first number would not take it.
func (c *chain) narrow(ctx context.Context, f journal.Filter) (first, last uint64, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	window := journal.Filter{From: f.From, To: f.To}
	if c.window == window {
		return c.first, c.last, nil
	}
	var q where
	q.add("journal = (SELECT journal FROM lapgate.journals WHERE genesis = ?)", c.j.Genesis[:])
	q.add("line = (SELECT line FROM lapgate.journals WHERE genesis = ?)", c.j.Genesis[:])
	q.add("seq <= ?", int64(c.j.Head.Seq))
	q.times(f)
	var from, to int64
	err = c.r.ask(ctx, func(rows pgx.Rows) error { return rows.Scan(&from, &to) },
		`WITH w AS MATERIALIZED (SELECT seq FROM lapgate.records WHERE `+q.String()+`) SELECT coalesce(min(seq), 0), coalesce(max(seq), 0) FROM w`, q.args...)
	if err != nil {
		return 0, 0, err
	}
	c.window, c.first, c.last = window, uint64(from), uint64(to)
	return c.first, c.last, nil
}

// where is a condition with its arguments.
type where struct {
	conditions []string
	args       []any
}

func (w *where) add(condition string, arg any) {
	w.args = append(w.args, arg)
	w.conditions = append(w.conditions, strings.ReplaceAll(condition, "?", fmt.Sprintf("$%d", len(w.args))))
}

// times bounds the time of a record as a filter does.
func (w *where) times(f journal.Filter) {
	if !f.From.IsZero() {
		w.add("at >= lapgate.moment(?)", f.From.UnixMicro())
	}
	if !f.To.IsZero() {
		w.add("at < lapgate.moment(?)", f.To.UnixMicro())
	}
}

// String is the condition.
func (w *where) String() string { return strings.Join(w.conditions, " AND ") }

const rowColumns = `seq, lapgate.micros(at), kind, body, before, hash, roll_no, coalesce(tag, ''), coalesce(verdict, ''), coalesce(reason, '')`

// scanRow reads a record and what is wrong with it: its hash, its body, or a column that
// says something else than the body.
func scanRow(rows pgx.CollectableRow) (out journal.Row, err error) {
	var seq, micros, roll int64
	var kind, body string
	var before, hash []byte
	var c columns
	if err := rows.Scan(&seq, &micros, &kind, &body, &before, &hash, &roll, &c.tag, &c.verdict, &c.reason); err != nil {
		return out, err
	}
	out.Seq = uint64(seq)
	own, err := headOf(seq, hash)
	prev, err2 := headOf(seq-1, before)
	if out.Err = errors.Join(err, err2); out.Err != nil {
		return out, nil
	}
	out.Entry, out.Err = journal.Prove(own.Seq, micros, kind, body, prev.Hash, own.Hash)
	if out.Err != nil {
		return out, nil
	}
	if want := columnsOf(out.Record); c != want || roll != int64(out.Record.RollNo()) {
		out.Err = fmt.Errorf("it is found as roll %d, tag %q, verdict %q and reason %q, the body says roll %d, %q, %q and %q",
			roll, c.tag, c.verdict, c.reason, out.Record.RollNo(), want.tag, want.verdict, want.reason)
	}
	return out, nil
}
