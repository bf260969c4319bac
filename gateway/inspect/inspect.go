// Package inspect looks at a live controller and compares it with what the
// configuration expects: every block, the clock, the session, the numbers that
// must not go back, and the state of the line. It only reads.
package inspect

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Verdict on one item.
type Verdict string

// The verdicts. A note says what is so, or what the controller does not tell;
// a warning what is likely not meant; with a failure the line must not be
// armed.
const (
	OK   Verdict = "ok"
	Note Verdict = "note"
	Warn Verdict = "warn"
	Fail Verdict = "fail"
)

// String is the verdict as it stands in a list: what failed is seen at once.
func (v Verdict) String() string {
	if v == Fail {
		return "FAIL"
	}
	return string(v)
}

// Item is one thing that was looked at.
type Item struct {
	Verdict Verdict `json:"verdict"`
	Subject string  `json:"subject"`
	Got     string  `json:"got"`
	Want    string  `json:"want,omitempty"`
	Remedy  string  `json:"remedy,omitempty" print:"below"`
}

// Sentence is the item in one line.
func (i Item) Sentence() string {
	s := fmt.Sprintf("%s: %s: got %s", i.Subject, string(i.Verdict), i.Got)
	if i.Want != "" {
		s += ", want " + i.Want
	}
	if i.Remedy != "" {
		s += "; " + i.Remedy
	}
	return s
}

// Report is everything that was looked at, in a fixed order.
type Report struct {
	// Unreachable says that there was no connection, or that it was lost.
	Unreachable bool   `json:"unreachable" label:"-"`
	Items       []Item `json:"items" label:"looked at"`
}

// Failed returns the items that failed.
func (r *Report) Failed() []Item {
	var out []Item
	for _, i := range r.Items {
		if i.Verdict == Fail {
			out = append(out, i)
		}
	}
	return out
}

func (r *Report) add(v Verdict, subject, got, want, remedy string) {
	r.Items = append(r.Items, Item{v, subject, got, want, remedy})
}

// Undialled is the report on a controller that could not be connected to. What
// cannot work as configured is a difference; all else is out of reach.
func Undialled(err error) *Report {
	r := &Report{Unreachable: link.ClassOf(err) != link.ConfigClass}
	got, remedy := err.Error(), ""
	var e *link.Error
	if errors.As(err, &e) {
		plain := *e
		plain.Help = ""
		got, remedy = plain.Error(), e.Help
	}
	r.add(Fail, "connection", got, "a connection and every block", remedy)
	return r
}

// Expect is what a controller is compared with.
type Expect struct {
	Line *recipe.Line
	// Poll is the time between reads, Stale how long a tick may stand, Request
	// the longest wait for one answer.
	Poll, Stale, Request time.Duration
	// Alone says that no gateway writes to the controller at present.
	Alone bool
	// Pair says that another machine may have served the controller, and may now.
	Pair bool
	// Past is what the journal tells of the controller: numbers that never go
	// back while the controller keeps its memory.
	Past record.Past
}

// Controller compares a live controller with what is expected of it. It reads everything through a port, which it uses alone for a second or
// so. When a connection is lost on the way the port is dead, and the report
// says so.
func Controller(ctx context.Context, port link.Port, e Expect) *Report {
	l := &inspection{port: port, expect: e}
	l.items.Items = []Item{}
	if l.blocks(ctx) && l.motion(ctx) && l.limits(ctx) {
		l.identity()
		l.station()
		l.untold()
	}
	l.clock()
	return &l.items
}

// inspection is one comparison on its way.
type inspection struct {
	port   link.Port
	expect Expect
	items  Report

	request handshake.Request // newest that was whole
	seen    bool
	beat    uint16 // count of the heartbeat, where one stands
	beats   bool   // whether it moved
}

// tries is how often a block that is being written may be caught half done.
const tries = 5

// ask fills spans.
func (l *inspection) ask(ctx context.Context, spans ...link.Span) error {
	ctx, cancel := context.WithTimeout(ctx, l.expect.Request)
	defer cancel()
	return l.port.Read(ctx, spans...)
}

// read fills spans, and tells of a failure. It reports whether they were filled.
func (l *inspection) read(ctx context.Context, subject string, spans ...link.Span) bool {
	return l.answered(subject, l.ask(ctx, spans...))
}

// answered tells of the failure of a read, and reports whether there was none.
func (l *inspection) answered(subject string, err error) bool {
	if err == nil {
		return true
	}
	remedy := ""
	got := err.Error()
	var e *link.Error
	if errors.As(err, &e) {
		plain := *e
		plain.Help = ""
		got, remedy = plain.Error(), e.Help
	}
	if c := link.ClassOf(err); !c.Answered() && c != link.ConfigClass {
		l.items.Unreachable = true
		subject = "connection"
	}
	l.items.add(Fail, subject, got, "an answer", remedy)
	return false
}

// wait lets one poll pass, and reports whether there is time left.
func (l *inspection) wait(ctx context.Context) bool {
	t := time.NewTimer(l.expect.Poll)
	defer t.Stop()
	select {
	case <-ctx.Done():
		l.items.Unreachable = true
		l.items.add(Fail, "connection", ctx.Err().Error(), "time to look at everything", "look again")
		return false
	case <-t.C:
		return true
	}
}

// blocks looks at each block once. It reports whether the request block can be
// followed.
func (l *inspection) blocks(ctx context.Context) bool {
	for _, id := range handshake.IDs() {
		if id == handshake.OUT || handshake.Optional(id) {
			continue
		}
		if id == handshake.REQ {
			if !l.requestBlock(ctx) && l.items.Unreachable {
				return false
			}
			if !l.outcomes(ctx) && l.items.Unreachable {
				return false
			}
			continue
		}
		if !l.owned(ctx, id) && l.items.Unreachable {
			return false
		}
	}
	return l.seen
}

// requestBlock reads the request block until it is whole.
func (l *inspection) requestBlock(ctx context.Context) bool {
	const subject = "block REQ"
	if !l.whole(ctx, Item{Subject: subject, Want: "a whole request block within " + fmt.Sprint(tries) + " reads",
		Remedy: "compare bases and controller program with the map of registers"}, l.fetch) {
		return false
	}
	l.items.add(OK, subject, fmt.Sprintf("%d registers, type, layout and checksum hold", handshake.ReqWords), "", "")
	return true
}

// whole reads a block until it is whole, and tells of one that never is what was
// wanted.
func (l *inspection) whole(ctx context.Context, never Item, once func(context.Context) error) bool {
	for n := 1; ; n++ {
		err := once(ctx)
		switch {
		case err == nil:
			return true
		case errors.Is(err, errNotRead):
			return false
		case n == tries:
			l.items.add(Fail, never.Subject, err.Error(), never.Want, never.Remedy)
			return false
		case !l.wait(ctx):
			return false
		}
	}
}

var errNotRead = errors.New("not read")

// fetch reads the request block once.
func (l *inspection) fetch(ctx context.Context) error {
	words := make([]uint16, handshake.ReqWords)
	if !l.read(ctx, "block REQ", link.Span{Block: handshake.REQ, Dst: words}) {
		return errNotRead
	}
	var r handshake.Request
	if err := handshake.DecodeRequest(words, &r); err != nil {
		return err
	}
	if r.GenHead != r.GenTail {
		return fmt.Errorf("generation %d at the head and %d at the tail", r.GenHead, r.GenTail)
	}
	l.request, l.seen = r, true
	return nil
}

// outcomes reads the ring of outcomes: the newest entries must be whole and
// stand where their index belongs.
func (l *inspection) outcomes(ctx context.Context) bool {
	const subject = "block OUT"
	words := make([]uint16, handshake.OutEntries*handshake.OutWords)
	const perRead = 3 // entries that one request holds
	for from := 0; from < handshake.OutEntries; from += perRead {
		var spans []link.Span
		for i := from; i < min(from+perRead, handshake.OutEntries); i++ {
			spans = append(spans, link.Span{Block: handshake.OUT, Entry: i, Dst: words[i*handshake.OutWords : (i+1)*handshake.OutWords]})
		}
		if !l.read(ctx, subject, spans...) {
			return false
		}
	}
	if !l.seen {
		return false
	}
	r := &l.request
	held := min(r.Produced, handshake.OutEntries)
	for i := range held {
		index := r.Produced - i
		entry := int(index % handshake.OutEntries)
		var o handshake.Outcome
		err := handshake.DecodeOutcome(words[entry*handshake.OutWords:(entry+1)*handshake.OutWords], &o)
		// A newer outcome may have come in between and taken the place of the
		// oldest.
		if err == nil && o.Index != index && o.Index != index+handshake.OutEntries {
			err = fmt.Errorf("index %d stands there", o.Index)
		}
		if err != nil {
			l.items.add(Fail, subject, fmt.Sprintf("entry %d: %v", entry, err), fmt.Sprintf("the outcome of index %d", index),
				"the entry of index n stands at n mod 64; compare base and controller program with the map of registers")
			return false
		}
	}
	l.items.add(OK, subject, fmt.Sprintf("%d entries, %d of them in use and whole", handshake.OutEntries, held), "", "")
	return true
}

// owned reads a block that the gateway writes: it is empty or whole.
func (l *inspection) owned(ctx context.Context, id handshake.ID) bool {
	subject := "block " + id.String()
	words := make([]uint16, handshake.Words(id))
	err := l.ask(ctx, link.Span{Block: id, Dst: words})
	if link.ClassOf(err) == link.NoAccess {
		// A base that the controller does not know is refused the same way.
		l.items.add(Warn, subject, err.Error(), "the right to write it, and of PAYLOAD rather to read it too",
			"enough where the controller lets the gateway only write this block; else correct where it stands")
		return true
	}
	if !l.answered(subject, err) {
		return false
	}
	if empty(words) {
		l.items.add(OK, subject, fmt.Sprintf("%d registers, empty", len(words)), "", "")
		return true
	}
	if err := handshake.Verify(id, words); err != nil {
		l.items.add(Fail, subject, err.Error(), "nothing, or what a gateway wrote",
			"something else uses these registers, or they are mapped elsewhere; correct the base, or clear them")
		return false
	}
	got := fmt.Sprintf("%d registers, type and checksum hold", len(words))
	if id == handshake.HEARTBEAT {
		l.beat = words[1]
		got += fmt.Sprintf(", count %d", l.beat)
	}
	l.items.add(OK, subject, got, "", "")
	return true
}

func empty(words []uint16) bool {
	for _, w := range words {
		if w != 0 {
			return false
		}
	}
	return true
}
