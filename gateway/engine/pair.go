package engine

import (
	"context"
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
	Line    string
	Machine string // that posted it
	Kind    string
	Body    string // the rest of it, as the machines write it
	// Age is how long ago it was posted, by the clock of the engine.
	Age time.Duration
}

// Answer is what the other machine made of an act: empty text where it is done and durable
// there, else why not.
type Answer struct {
	Number  uint64
	Machine string
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

// Post leaves an act for the other machine and tells its number.
func (c *Conn) Post(ctx context.Context, a Act) (number uint64, err error) {
	err = c.write(ctx, func(ctx context.Context) error {
		var n int64
		err := c.pg.QueryRow(ctx, `INSERT INTO lapgate.acts (mill, line, machine, kind, body) VALUES ($1, $2, $3, $4, $5) RETURNING number`,
			c.mill, a.Line, a.Machine, a.Kind, a.Body).Scan(&n)
		number = uint64(n)
		return err
	})
	return number, err
}

// Waiting tells the acts on lines that other machines posted and nobody answered, in the
// order of their numbers.
func (c *Conn) Waiting(ctx context.Context, machine string, lines []string) (out []Act, err error) {
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT number, line, machine, kind, body, (extract(epoch FROM clock_timestamp() - posted) * 1000)::bigint
			FROM lapgate.acts WHERE mill = $1 AND answered_by IS NULL AND machine <> $2 AND line = ANY($3) ORDER BY number`, c.mill, machine, lines)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (a Act, err error) {
			var number, age int64
			err = row.Scan(&number, &a.Line, &a.Machine, &a.Kind, &a.Body, &age)
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

// Answers tells what was answered to acts; those without an answer are left out.
func (c *Conn) Answers(ctx context.Context, numbers []uint64) (out []Answer, err error) {
	asked := make([]int64, len(numbers))
	for i, n := range numbers {
		asked[i] = int64(n)
	}
	err = c.read(ctx, func(ctx context.Context) error {
		rows, err := c.pg.Query(ctx, `SELECT number, answered_by, answer FROM lapgate.acts
			WHERE mill = $1 AND number = ANY($2) AND answered_by IS NOT NULL ORDER BY number`, c.mill, asked)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (a Answer, err error) {
			var number int64
			err = row.Scan(&number, &a.Machine, &a.Text)
			a.Number = uint64(number)
			return a, err
		})
		return err
	})
	return out, err
}
