package inspect

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/present"
)

// WatchWanted is one block that is watched while it changes.
type WatchWanted struct {
	Block handshake.ID  // of OUT the newest entry
	Poll  time.Duration // between two looks
	Looks int           // 0 until the context ends
	// Tell gets the fields of the first look, and later those that changed. A field
	// that changes at every look, such as a clock, is told once.
	Tell func(*present.Table) error
	// Lost is told why the controller cannot be read; it is dialled again.
	Lost func(error)
}

// redial is how long is waited before a lost controller is dialled again.
const redial = time.Second

// Mark marks what changed.
type Mark bool

// String is a star for what changed.
func (m Mark) String() string {
	if m {
		return "*"
	}
	return " "
}

// watching is one block as it was seen last.
type watching struct {
	WatchWanted
	dialer link.Dialer
	port   link.Port
	words  []uint16
	state  string
	runs   []bool // by field: it changed at the look before
}

// Watch reads a block again and again, and only reads. The error is that of the
// first connection, of Tell, or nil when the looks or the context are at their end.
func Watch(ctx context.Context, dialer link.Dialer, wanted WatchWanted) error {
	w := &watching{WatchWanted: wanted, dialer: dialer}
	defer w.hangUp()
	for n := 1; ; n++ {
		pause := w.Poll
		words, err := w.read(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && (w.words == nil && w.port == nil || link.ClassOf(err) == link.ConfigClass):
			return err
		case err != nil:
			w.Lost(err)
			pause = redial
		case !slices.Equal(words, w.words):
			if err := w.Tell(w.changes(words, time.Now())); err != nil {
				return err
			}
		}
		if n == w.Looks {
			return nil
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return nil
		}
	}
}

func (w *watching) hangUp() {
	if w.port != nil {
		_ = w.port.Close() // only read from
		w.port = nil
	}
}

// read reads the block, of OUT the entry of the newest outcome.
func (w *watching) read(ctx context.Context) (words []uint16, err error) {
	if w.port == nil {
		if w.port, err = w.dialer.Dial(ctx); err != nil {
			w.port = nil
			return nil, err
		}
	}
	span := link.Span{Block: w.Block, Dst: make([]uint16, handshake.Words(w.Block))}
	if w.Block == handshake.OUT {
		words := make([]uint16, handshake.ReqWords)
		if err = w.port.Read(ctx, link.Span{Block: handshake.REQ, Dst: words}); err == nil {
			produced := handshake.FieldOf(handshake.REQ, "outcomes_produced")
			span.Entry = int(produced.Number(words) % handshake.OutEntries)
		}
	}
	if err == nil {
		err = w.port.Read(ctx, span)
	}
	if err != nil && !link.ClassOf(err).Answered() {
		w.hangUp()
	}
	return span.Dst, err
}

// changes are the rows of a look that differs from the one before.
func (w *watching) changes(words []uint16, at time.Time) *present.Table {
	t := &present.Table{Columns: []present.Column{
		{Name: "at", Drop: 1}, {Name: "block"}, {Name: "changed", Label: " "}, {Name: "register"}, {Name: "field"}, {Name: "value"}, {Name: "word", Label: " "}, {Name: "was"},
	}}
	var rows []present.Row
	add := func(cells ...any) {
		rows = append(rows, present.Row{Cells: append([]any{at, w.Block.String()}, cells...)})
	}
	first := w.words == nil
	if state := stateText(w.Block, words); first || state != w.state {
		add(Mark(!first), nil, "state", state, nil, nilIfEmpty(w.state))
		w.state = state
	}
	fields := handshake.Fields(w.Block)
	runs := make([]bool, len(fields))
	for i, f := range fields {
		now := words[f.Register:][:f.Words]
		switch {
		case first:
			add(Mark(false), f.Register, present.Quantity{Name: f.SIName()}, valueOf(f, words), wordOf(&f, words), nil)
		case !slices.Equal(now, w.words[f.Register:][:f.Words]):
			if runs[i] = true; !w.runs[i] {
				add(Mark(true), f.Register, present.Quantity{Name: f.SIName()}, valueOf(f, words), wordOf(&f, words), valueOf(f, w.words))
			}
		}
	}
	w.words, w.runs = words, runs
	t.Rows = func(yield func(present.Row, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
	return t
}

func nilIfEmpty(text string) any {
	if text == "" {
		return nil
	}
	return text
}

// stateText is the state of a block, with what is wrong with it.
func stateText(id handshake.ID, words []uint16) string {
	state, err := stateOf(id, words)
	if err == nil {
		return state
	}
	_, text, _ := strings.Cut(err.Error(), ": ") // the block is named beside it
	return state + ": " + text
}

// wordOf is what the number of a field means, nil where it is only a number.
func wordOf(f *handshake.FieldInfo, words []uint16) any {
	if f.Bits {
		return fmt.Sprintf("%b", f.Number(words))
	}
	n := words[f.Register]
	switch f.Name {
	case "phase":
		return handshake.Phase(n).String()
	case "result_verdict":
		return handshake.Verdict(n).String()
	case "result_reason":
		return handshake.RejectReason(n).String()
	case "outcome":
		return handshake.OutcomeKind(n).String()
	case "kind":
		return handshake.Kind(n).String()
	case "hold_reason":
		return handshake.HoldReason(n).String()
	case "origin":
		return handshake.Origin(n).String()
	case "unit_mode":
		return handshake.ModeName(n)
	case "unit_state":
		return handshake.StateName(n)
	}
	return nil
}
