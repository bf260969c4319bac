package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"lapgate/gateway/record"
)

// Report is what Verify found.
type Report struct {
	Path     string             `json:"path" label:"journal"`
	Schema   int                `json:"schema"`
	Records  uint64             `json:"records"`
	First    uint64             `json:"first,omitempty" label:"first record"` // where the archives before are gone
	Archives []string           `json:"archives,omitempty"`                   // oldest first
	Head     Head               `json:"head"`                                 // of the chain; keep it elsewhere
	Open     []record.OfferName `json:"open,omitempty" label:"open offers"`
	Problems []Problem          `json:"problems"`
	// Contradictions are what the controller said and said otherwise before. The
	// journal holds both, and is sound: they are not damage.
	Contradictions []Problem `json:"contradictions,omitempty"`
}

// OK reports whether the journal is sound.
func (r *Report) OK() bool { return len(r.Problems) == 0 }

// Sentences are all problems and contradictions, each on one line.
func (r *Report) Sentences() (all []string) {
	for _, p := range slices.Concat(r.Problems, r.Contradictions) {
		all = append(all, p.String())
	}
	return all
}

// Problem is one thing that is not as it must be.
type Problem struct {
	Seq  uint64 `json:"seq" label:"record"` // 0 for the file as a whole
	Code string `json:"code"`
	Text string `json:"text" label:"problem"`
}

// The codes of problems.
const (
	ProblemFile    = "file"    // the file is not a sound database
	ProblemSchema  = "schema"  // tables, indexes or triggers are not as made
	ProblemMissing = "missing" // records are not there
	ProblemRecord  = "record"  // a record is not what was written
	ProblemChain   = "chain"   // a record is not linked to the one before it
	ProblemHead    = "head"    // the expected head is not in the chain
	ProblemOrder   = "order"   // the records contradict the handshake

	// ContradictionController is the code of every contradiction.
	ContradictionController = "controller"
)

// String is the problem on one line.
func (p Problem) String() string {
	if p.Seq == 0 {
		return fmt.Sprintf("%s: %s", p.Code, p.Text)
	}
	return fmt.Sprintf("record %d: %s: %s", p.Seq, p.Code, p.Text)
}

// VerifyOption changes what Verify does.
type VerifyOption func(*verifier)

// ExpectHead lets Verify prove that the chain holds a head that was kept from
// earlier: this alone finds records cut off the end, or a journal written
// anew.
func ExpectHead(h Head) VerifyOption { return func(v *verifier) { v.expect = &h } }

// Progress is called now and then with the records done and their total.
func Progress(f func(done, total uint64)) VerifyOption { return func(v *verifier) { v.progress = f } }

type verifier struct {
	report   *Report
	expect   *Head
	found    bool // the expected head
	progress func(done, total uint64)
	order    order
	last     Head // before the records to come
}

func (v *verifier) add(seq uint64, code, format string, args ...any) {
	v.report.Problems = append(v.report.Problems, Problem{seq, code, fmt.Sprintf(format, args...)})
}

// Verify checks a whole journal, read-only, also while a daemon appends to it:
// the database, the schema, every hash and link, numbers without holes, bodies
// that decode strictly, and that the records keep the order of the handshake.
// It reports all it finds. An error means that the journal could not be
// checked: it is not there, cannot be read, or is newer than this program.
func Verify(ctx context.Context, path string, opts ...VerifyOption) (*Report, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	v := &verifier{report: &Report{Path: abs, Problems: []Problem{}}}
	for _, o := range opts {
		o(v)
	}
	r, err := OpenWhole(ctx, abs)
	var damage *DamageError
	if errors.As(err, &damage) {
		v.add(damage.Seq, ProblemFile, "%s", damage.Problem)
		v.finish()
		return v.report, nil
	}
	if err != nil {
		return nil, err
	}
	err = v.run(ctx, r)
	if err == nil && !v.report.OK() {
		err = r.unchanged()
	}
	if err := errors.Join(err, r.Close()); err != nil {
		return nil, err
	}
	v.finish()
	return v.report, nil
}

func (v *verifier) run(ctx context.Context, r *Reader) error {
	v.report.Schema = r.version
	from, before, err := r.start(ctx)
	if err != nil && !errors.As(err, new(*DamageError)) {
		return err
	}
	if from > 1 {
		v.report.First, v.last = from, before
		v.order.forget()
	}
	for _, a := range r.apart {
		v.add(0, ProblemMissing, "what stands between archive %s, which ends at record %d, and the next file is not there", filepath.Base(a.Path), a.Last)
	}
	for _, f := range r.older {
		v.report.Archives = append(v.report.Archives, filepath.Base(f.path))
	}
	for _, f := range r.files() {
		if err := v.file(ctx, f); err != nil {
			return err
		}
	}
	return nil
}

// file checks one file of the journal.
func (v *verifier) file(ctx context.Context, r *Reader) error {
	if r.version == 0 {
		return nil
	}
	for _, check := range []func(context.Context, *Reader) error{v.database, v.schema, v.records} {
		err := check(ctx, r)
		var damage *DamageError
		if errors.As(err, &damage) {
			v.add(damage.Seq, ProblemFile, "%s", damage.Problem)
			continue
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// database runs SQLite's own check of the file, which covers the index too.
func (v *verifier) database(ctx context.Context, r *Reader) error {
	lines, err := texts(ctx, r, r.db, `PRAGMA integrity_check(1000)`)
	for _, s := range lines {
		if s != "ok" {
			v.add(0, ProblemFile, "%s", s)
		}
	}
	return err
}

// schema compares the tables with those that this program makes.
func (v *verifier) schema(ctx context.Context, r *Reader) (err error) {
	const list = `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_master ORDER BY type, name`
	var id int
	if err := r.db.QueryRowContext(ctx, `PRAGMA application_id`).Scan(&id); err != nil {
		return r.wrap(ctx, err)
	}
	if id != applicationID {
		v.add(0, ProblemSchema, "application id is %08X, want %08X", uint32(id), uint32(applicationID))
	}
	got, err := texts(ctx, r, r.db, list)
	if err != nil {
		return err
	}
	fresh, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return err
	}
	fresh.SetMaxOpenConns(1)
	defer func() { err = errors.Join(err, fresh.Close()) }()
	tx, err := fresh.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() {
		if e := tx.Rollback(); !errors.Is(e, sql.ErrTxDone) {
			err = errors.Join(err, e)
		}
	}()
	for i := 0; i < r.version; i++ {
		if err := migrations[i](ctx, tx); err != nil {
			return err
		}
	}
	want, err := texts(ctx, r, tx, list)
	if err != nil {
		return err
	}
	for _, d := range difference(want, got) {
		v.add(0, ProblemSchema, "not there as it was made: %s", d)
	}
	for _, d := range difference(got, want) {
		v.add(0, ProblemSchema, "there, but never made: %s", d)
	}
	return nil
}

// difference returns what a has and b has not, in the order of a.
func difference(a, b []string) []string {
	has := make(map[string]bool, len(b))
	for _, s := range b {
		has[s] = true
	}
	var out []string
	for _, s := range a {
		if !has[s] {
			out = append(out, strings.Join(strings.Fields(s), " "))
		}
	}
	return out
}

type rowsQuerier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func texts(ctx context.Context, r *Reader, q rowsQuerier, query string) (out []string, err error) {
	rows, err := q.QueryContext(ctx, query)
	if err != nil {
		return nil, r.wrap(ctx, err)
	}
	defer func() {
		if e := rows.Close(); err == nil {
			err = r.wrap(ctx, e)
		}
	}()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return out, r.wrap(ctx, err)
		}
		out = append(out, s)
	}
	return out, r.wrap(ctx, rows.Err())
}

// records walks the chain up to where it stood at the start.
func (v *verifier) records(ctx context.Context, r *Reader) error {
	var top sql.NullInt64
	if err := r.db.QueryRowContext(ctx, `SELECT max(seq) FROM records`).Scan(&top); err != nil {
		return r.wrap(ctx, err)
	}
	var below int64
	err := r.db.QueryRowContext(ctx, `SELECT count(*) FROM records WHERE seq < 1`).Scan(&below)
	if err != nil {
		return r.wrap(ctx, err)
	}
	if below > 0 {
		v.add(0, ProblemRecord, "%d records have a number below 1", below)
	}
	last := v.last
	for after := int64(0); after < top.Int64; {
		rows, err := r.rows(ctx, `SELECT `+columns+` FROM records WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?`,
			after, top.Int64, batch)
		for i := range rows {
			e, err := rows[i].entry()
			last = v.record(e, err, last)
		}
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			break
		}
		end := rows[len(rows)-1].seq
		if end <= after {
			return r.damage(uint64(end), fmt.Sprintf("it follows record %d", after))
		}
		after = end
		if v.progress != nil {
			v.progress(v.report.Records, uint64(top.Int64))
		}
	}
	v.last, v.report.Head = last, last
	return nil
}

// record checks one record, of which err says what is wrong, against the head before it
// and returns the new head.
func (v *verifier) record(e Entry, err error, last Head) Head {
	v.report.Records++
	if err != nil {
		v.add(e.Seq, ProblemRecord, "%s", err)
	}
	switch {
	case e.Seq == last.Seq+1:
		if e.Prev != last.Hash {
			v.add(e.Seq, ProblemChain, "it names %.16s… as the hash before it, record %d has %.16s…", e.Prev, last.Seq, last.Hash)
		}
	case e.Seq > last.Seq+1:
		v.add(e.Seq, ProblemMissing, "records %d to %d are missing", last.Seq+1, e.Seq-1)
		v.order.forget()
	default:
		v.add(e.Seq, ProblemChain, "it follows record %d", last.Seq)
	}
	if v.expect != nil && v.expect.Seq == e.Seq && v.expect.Hash == e.Hash {
		v.found = true
	}
	if err != nil {
		// What the record said is not known, so the next ones are not judged by it.
		v.order.forget()
	} else {
		for _, text := range v.order.add(e.Record) {
			v.add(e.Seq, ProblemOrder, "%s", text)
		}
		for _, text := range v.order.contradictions {
			v.report.Contradictions = append(v.report.Contradictions, Problem{e.Seq, ContradictionController, text})
		}
	}
	return Head{e.Seq, e.Hash}
}

func (v *verifier) finish() {
	v.report.Open = v.order.stillOpen()
	if v.expect == nil || v.found || *v.expect == (Head{}) {
		return
	}
	if v.expect.Seq > v.report.Head.Seq {
		v.add(0, ProblemHead, "the chain ends at record %d, but it once ended at %d: its end was cut off, or this is another journal",
			v.report.Head.Seq, v.expect.Seq)
		return
	}
	if v.expect.Seq < v.report.First {
		v.add(v.expect.Seq, ProblemHead, "the record that was the head stands in an archive that is not there: the chain begins with record %d", v.report.First)
		return
	}
	v.add(v.expect.Seq, ProblemHead, "the record that was the head is not the one that was kept (%.16s…): "+
		"the chain was written anew, or this is another journal", v.expect.Hash)
}
