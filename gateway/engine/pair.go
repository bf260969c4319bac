package engine

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Member is one machine of a pair, as it told of itself last.
type Member struct {
	Machine  string
	Instance string // start of its daemon
	Beat     uint64 // counts on while it is there
	About    string // what it tells of its lines
}

// Act is what a person did on one machine, for the other.
type Act struct {
	Number  uint64 // given by the engine, counting up
	Key     string // that the machine gave it, unlike all others
	Line    string
	Machine string // on which it was done
	Kind    string
	Body    string // the rest of it, as the machines write it
	// Age is how long ago it was done. No two clocks are compared for it.
	Age time.Duration
}

// Answer is what the other machine made of an act: empty text where it is done and durable
// there, else why not.
type Answer struct {
	Number  uint64
	Key     string // of the act
	Machine string // that answered; empty as long as none did
	Text    string
}

// Meet says that a machine is there, and reads what all machines of the mill say of
// themselves, by name.
func (c *Conn) Meet(ctx context.Context, self Member) (all []Member, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		_, err := c.pg.Exec(ctx, `INSERT INTO lapgate.machines AS m (mill, machine, instance, beat, about) VALUES ($1, $2, $3, 1, $4)
			ON CONFLICT (mill, machine) DO UPDATE SET instance = excluded.instance, beat = m.beat + 1, about = excluded.about`,
			c.mill, self.Machine, self.Instance, self.About)
		if err != nil {
			return err
		}
		rows, err := c.pg.Query(ctx, `SELECT machine, instance, beat, about FROM lapgate.machines WHERE mill = $1 ORDER BY machine`, c.mill)
		if err != nil {
			return err
		}
		all, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (m Member, err error) {
			var beat int64
			err = row.Scan(&m.Machine, &m.Instance, &beat, &m.About)
			m.Beat = uint64(beat)
			return m, err
		})
		return err
	})
	return all, err
}

// Post leaves an act for the other machine and tells its number. One that is there under
// its key is left as it is: the answer may have been lost that it was posted. Number 0 says
// that it is not known yet which number it has.
func (c *Conn) Post(ctx context.Context, a Act) (number uint64, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		var n int64
		err := c.pg.QueryRow(ctx, `WITH new AS (
			INSERT INTO lapgate.acts (mill, key, line, machine, kind, body, posted)
			VALUES ($1, $2, $3, $4, $5, $6, clock_timestamp() - $7 * interval '1 millisecond')
			ON CONFLICT (mill, key) DO NOTHING RETURNING number)
			SELECT number FROM new UNION ALL SELECT number FROM lapgate.acts WHERE mill = $1 AND key = $2 LIMIT 1`,
			c.mill, a.Key, a.Line, a.Machine, a.Kind, a.Body, a.Age.Milliseconds()).Scan(&n)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil // another connection of this machine posts it at this moment
		}
		number = uint64(n)
		return err
	})
	return number, err
}

// Waiting tells the acts on lines that other machines posted and nobody answered, in the
// order of their numbers.
func (c *Conn) Waiting(ctx context.Context, machine string, lines []string) (out []Act, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT number, coalesce(key, ''), line, machine, kind, body, (extract(epoch FROM clock_timestamp() - posted) * 1000)::bigint
			FROM lapgate.acts WHERE mill = $1 AND answered_by IS NULL AND machine <> $2 AND line = ANY($3) ORDER BY number`, c.mill, machine, lines)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (a Act, err error) {
			var number, age int64
			err = row.Scan(&number, &a.Key, &a.Line, &a.Machine, &a.Kind, &a.Body, &age)
			a.Number, a.Age = uint64(number), time.Duration(age)*time.Millisecond
			return a, err
		})
		return err
	})
	return out, err
}

// Answer answers an act that nobody answered yet. It reports false where another machine
// did.
func (c *Conn) Answer(ctx context.Context, number uint64, machine, answer string) (counts bool, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		tag, err := c.pg.Exec(ctx, `UPDATE lapgate.acts SET answered_by = $3, answer = coalesce(answer, $4)
			WHERE mill = $1 AND number = $2 AND coalesce(answered_by, $3) = $3`, c.mill, int64(number), machine, answer)
		counts = tag.RowsAffected() > 0
		return err
	})
	return counts && err == nil, err
}

// Answers tells of acts, by their keys, what was answered, and which nobody answered yet.
// Acts that the engine does not have are left out.
func (c *Conn) Answers(ctx context.Context, keys []string) (out []Answer, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT number, key, coalesce(answered_by, ''), coalesce(answer, '') FROM lapgate.acts
			WHERE mill = $1 AND key = ANY($2) ORDER BY number`, c.mill, keys)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (a Answer, err error) {
			var number int64
			err = row.Scan(&number, &a.Key, &a.Machine, &a.Text)
			a.Number = uint64(number)
			return a, err
		})
		return err
	})
	return out, err
}
