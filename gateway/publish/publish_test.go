package publish_test

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/packets"

	"lapgate/gateway/alarm"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/publish"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// broker takes connections in memory. Each message is answered as answer says: with a
// reason code, or by hanging up without one.
type broker struct {
	answer func(n int) (code byte, hangUp bool) // n counts messages from 0

	mu    sync.Mutex
	got   []told
	count int
	more  chan struct{}
}

// told is what a receiver reads of a message.
type told struct {
	Journal  string          `json:"journal"`
	Sequence uint64          `json:"sequence"`
	Line     string          `json:"line"`
	Event    string          `json:"event"`
	Roll     uint32          `json:"roll_no"`
	Tag      string          `json:"tag"`
	Measured *recipe.Roll    `json:"measured"`
	Priority string          `json:"priority"`
	Head     string          `json:"head"`
	Record   json.RawMessage `json:"record"`
	topic    string
	payload  string
}

func newBroker(answer func(n int) (byte, bool)) *broker {
	return &broker{answer: answer, more: make(chan struct{}, 1000)}
}

func (b *broker) dial(context.Context, string, string) (net.Conn, error) {
	here, there := net.Pipe()
	go b.serve(there)
	return here, nil
}

func (b *broker) serve(conn net.Conn) {
	defer func() { _ = conn.Close() }()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch c := p.Content.(type) {
		case *packets.Connect:
			_, err = packets.NewControlPacket(packets.CONNACK).WriteTo(conn)
		case *packets.Publish:
			var m told
			if err := json.Unmarshal(c.Payload, &m); err != nil {
				panic(err)
			}
			m.topic, m.payload = c.Topic, string(c.Payload)
			b.mu.Lock()
			code, hangUp := b.answer(b.count)
			b.count++
			if code == 0 {
				b.got = append(b.got, m)
			}
			b.mu.Unlock()
			b.more <- struct{}{}
			if hangUp {
				return
			}
			ack := packets.NewControlPacket(packets.PUBACK)
			ack.Content.(*packets.Puback).PacketID, ack.Content.(*packets.Puback).ReasonCode = c.PacketID, code
			_, err = ack.WriteTo(conn)
		}
		if err != nil {
			return
		}
	}
}

// await waits for so many messages, taken or not.
func (b *broker) await(n int) []told {
	for range n {
		<-b.more
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.got)
}

// bench is a journal and its publication.
type bench struct {
	t       *testing.T
	path    string
	shared  *journal.Shared
	journal *journal.Journal
	paused  chan error // what failed
	noteAt  time.Time  // when a note is due
	reads   func()     // called while a record is read; nil for nothing
}

func newBench(t *testing.T) *bench {
	path := filepath.Join(t.TempDir(), "north.db")
	b := &bench{t: t, path: path, shared: journal.NewShared(path), paused: make(chan error, 1000), noteAt: time.Now().Add(time.Hour)}
	b.open()
	return b
}

func (b *bench) open() {
	b.t.Helper()
	j, err := journal.Open(b.t.Context(), b.path, journal.OwnedBy(journal.Owner{Line: "north", Folder: filepath.Join(filepath.Dir(b.path), "state")}))
	if err != nil {
		b.t.Fatal(err)
	}
	b.journal = j
	b.t.Cleanup(func() { _ = j.Close() }) // some are closed in the test
}

// start begins a publication, which ends with the test or the function returned.
func (b *bench) start(to *broker, change func(*publish.Broker)) (p *publish.Publisher, stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	where := publish.Broker{Address: "broker:8883", Topic: "mill", Client: "lapgate", Dial: to.dial}
	if change != nil {
		change(&where)
	}
	p = publish.New(where, publish.Line{
		Name: "north", Journal: b.shared,
		Note: func(ctx context.Context, r record.Published) error {
			stored, err := b.journal.Append(ctx, r)
			if err == nil && p != nil {
				p.Recorded(stored[0])
			}
			return err
		},
		NoteBy: func(time.Time) time.Time { return b.noteAt },
		Rule: func(code string) (alarm.Rule, bool) {
			if b.reads != nil {
				b.reads()
			}
			return alarm.Rule{Code: code, Class: alarm.Class{Priority: alarm.High}}, true
		},
		Pause:   func(_ context.Context, err error) { b.paused <- err },
		Changed: func(publish.State) {},
		Lost:    func(uint64, uint64) { b.t.Error("records are said to be lost") },
	})
	var wait sync.WaitGroup
	wait.Go(func() { p.Run(ctx) })
	stop = sync.OnceFunc(func() { cancel(); wait.Wait() })
	b.t.Cleanup(stop)
	return p, stop
}

func (b *bench) append(p *publish.Publisher, records ...record.Record) {
	b.t.Helper()
	for _, r := range records {
		stored, err := b.journal.Append(b.t.Context(), r)
		if err != nil {
			b.t.Fatal(err)
		}
		if p != nil {
			p.Recorded(stored[0])
		}
	}
}

func taken(int) (byte, bool) { return 0, false }

func hold(n int) record.Record { return record.Hold{On: n%2 == 0, By: "kim", Reason: "trial"} }

// dropped is what a receiver keeps: what has a higher number than all before, of which
// what came again is the same.
func dropped(t *testing.T, all []told) (kept []told) {
	t.Helper()
	seen := map[uint64]string{}
	for _, m := range all {
		if len(kept) > 0 && m.Sequence <= kept[len(kept)-1].Sequence {
			if seen[m.Sequence] != m.payload {
				t.Errorf("record %d came again as %s, was %s", m.Sequence, m.payload, seen[m.Sequence])
			}
			continue
		}
		kept, seen[m.Sequence] = append(kept, m), m.payload
	}
	return kept
}

// TestNothingOpensWhatIsRead: while a message is made, the line does not open its journal, nor
// change its files.
func TestNothingOpensWhatIsRead(t *testing.T) {
	b := newBench(t)
	asked, free := 0, 0
	b.reads = func() {
		if asked++; b.shared.TryAlone(func() {}) {
			free++
		}
	}
	b.append(nil, hold(0))
	to := newBroker(taken)
	p, stop := b.start(to, nil)
	to.await(2) // with the head
	b.append(p, record.Alarm{Alarm: "behind"})
	to.await(1)
	stop()
	if asked == 0 || free > 0 || !b.shared.TryAlone(func() {}) {
		t.Errorf("%d of %d times the journal could have been opened while it was read", free, asked)
	}
}

func TestLostAcknowledgements(t *testing.T) {
	b := newBench(t)
	const holds = 9
	for n := range holds {
		b.append(nil, hold(n))
	}
	// Every second message is taken, and the broker is gone before it says so.
	to := newBroker(func(n int) (byte, bool) { return 0, n%2 == 0 })
	b.start(to, nil)
	// The first note, of the beginning, is a message too.
	const messages = holds + 1
	all := to.await(2 * messages)
	kept := dropped(t, all)
	if len(all) != 2*messages || len(kept) != messages {
		t.Fatalf("%d messages came, and %d are left without those that came again; want %d and %d", len(all), len(kept), 2*messages, messages)
	}
	for i, m := range kept {
		if want := uint64(i + 2); m.Sequence != want || m.Journal != kept[0].Journal || m.Journal == "" { // behind ORIGIN
			t.Errorf("message %d is of record %d of journal %q, want %d of %q", i, m.Sequence, m.Journal, want, kept[0].Journal)
		}
	}
	if m := kept[0]; m.topic != "mill/north/hold-all" || !strings.Contains(string(m.Record), `"by":"kim"`) {
		t.Errorf("the first is %s by %s", m.payload, m.topic)
	}
	if m := kept[holds]; m.Event != "head" || m.Head != b.journal.Head().Hash.String() {
		t.Errorf("the last is %s, want the head of the journal, %s", m.payload, b.journal.Head().Hash)
	}
	if err := <-b.paused; err == nil {
		t.Error("nothing failed")
	}
}

func TestGoesOnFromTheNote(t *testing.T) {
	b := newBench(t)
	b.append(nil, hold(0), hold(1))
	first := newBroker(taken)
	b.noteAt = time.Now() // due at once
	_, stop := b.start(first, nil)
	before := first.await(4) // with the note of the beginning, and that both were taken
	stop()
	b.append(nil, hold(2))
	second := newBroker(taken)
	b.start(second, nil)
	after := dropped(t, second.await(2))
	if got := after[len(after)-1]; got.Event != "hold-all" || got.Journal != before[0].Journal {
		t.Errorf("the newest is %s", got.payload)
	}
	if again := after[0].Sequence; again <= before[1].Sequence {
		t.Errorf("record %d came again although the journal says that it was taken", again)
	}
}

func TestGoesOnInTheNextFile(t *testing.T) {
	b := newBench(t)
	b.append(nil, hold(0))
	to := newBroker(taken)
	p, stop := b.start(to, nil)
	identity := to.await(2)[0].Journal
	carry := func(last *record.Published) {
		past := record.NewPast()
		// The publication may still read on behind what was taken.
		if err := b.shared.Alone(func() error {
			_, err := b.journal.CloseOff(t.Context(), record.Carry{Past: past.Carried(), Published: last})
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	carry(&record.Published{To: "mqtt", Journal: identity, UpTo: 2})
	b.append(p, hold(1))
	all := to.await(1)
	if m := all[len(all)-1]; m.Event != "hold-all" || m.Journal != identity {
		t.Errorf("after the journal was closed off came %s", m.payload)
	}
	stop()
	b.append(nil, hold(2))
	again := newBroker(taken)
	b.start(again, nil) // finds in the new file what stood before it
	kept := dropped(t, again.await(3))
	if m := kept[len(kept)-1]; m.Journal != identity || m.Sequence != b.journal.Head().Seq {
		t.Errorf("a new start ends with %s, want record %d of journal %s", m.payload, b.journal.Head().Seq, identity)
	}
}

func TestNobodyReceives(t *testing.T) {
	b := newBench(t)
	b.append(nil, hold(0))
	const noSubscriber = 0x10
	to := newBroker(func(n int) (byte, bool) {
		if n < 3 {
			return noSubscriber, false
		}
		return 0, false
	})
	b.start(to, nil)
	if got := dropped(t, to.await(5)); len(got) != 2 {
		t.Errorf("%d messages were taken, want the hold and the head", len(got))
	}
	for range 3 {
		if err := <-b.paused; !strings.Contains(err.Error(), "publish.mqtt.needs_receiver") {
			t.Errorf("it failed with %v", err)
		}
	}
	anyone := newBroker(func(int) (byte, bool) { return noSubscriber, false })
	c := newBench(t)
	c.append(nil, hold(0))
	p, _ := c.start(anyone, func(b *publish.Broker) { b.AnyReceiver = true })
	anyone.await(2)
	if s := p.State(); s.Error != "" || s.Sequence == 0 {
		t.Errorf("with any receiver the state is %+v", s)
	}
}

// A journal that may not be the one of before is published under another identity: the
// numbers of its records may have been used.
func TestDoubtfulJournalHasAnotherIdentity(t *testing.T) {
	b := newBench(t)
	b.append(nil, hold(0))
	to := newBroker(taken)
	p, _ := b.start(to, nil)
	before := to.await(2)
	b.append(p, record.Doubt{Doubts: []string{"it was restored"}}, hold(1))
	after := to.await(1)
	if last := after[len(after)-1]; last.Journal == before[0].Journal {
		t.Errorf("both are of journal %s", last.Journal)
	}
}

func TestRollAndCondition(t *testing.T) {
	b := newBench(t)
	token := handshake.Token{Boot: 7, Req: 3}
	out := handshake.Outcome{Index: 1, RollNo: 1190, Boot: 7, Req: 3, Outcome: handshake.Wrapped, Scale: 15712}
	b.append(nil,
		record.Request{Token: token, Roll: 1190, Measured: recipe.Roll{Number: 1190, Tag: "R-1190", Width: 1.6, Diameter: 1.25}},
		record.Shadow{Token: token, Roll: 1190, Tag: "R-1190", Verdict: "hold", Findings: []recipe.Finding{{Code: "x", Severity: recipe.Hold}}},
		record.Outcome{Outcome: out, Words: make([]uint16, handshake.OutWords)},
		record.Alarm{Alarm: "link-down", Act: "raised"})
	to := newBroker(taken)
	b.start(to, nil)
	got := to.await(4)
	var events []string
	for _, m := range got {
		events = append(events, m.Event)
	}
	if want := []string{"hold", "roll", "condition", "head"}; !slices.Equal(events, want) {
		t.Fatalf("got %q, want %q", events, want)
	}
	if m := got[1]; m.Roll != 1190 || m.Tag != "R-1190" || m.Measured == nil || m.Measured.Width != 1.6 || !strings.Contains(string(m.Record), `"scale_reading_kg":1571.2`) {
		t.Errorf("the roll is %s", m.payload)
	}
	if m := got[2]; m.Priority != "high" || m.Line != "north" {
		t.Errorf("the condition is %s", m.payload)
	}
}

// A broker that sends what nobody asked for, or too much, is left.
func TestStrangeBroker(t *testing.T) {
	for name, bytes := range map[string][]byte{
		"publish to a publisher": {0x30, 0x05, 0, 1, 'a', 0, 'x'},
		"too long":               {0x40, 0xFF, 0xFF, 0x7F},
		"length without an end":  {0x40, 0xFF, 0xFF, 0xFF, 0xFF, 0x01},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.append(nil, hold(0))
			dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
				here, there := net.Pipe()
				go func() {
					defer func() { _ = there.Close() }()
					if _, err := packets.ReadPacket(there); err != nil {
						return
					}
					_, _ = there.Write(bytes) // the other side may have hung up
				}()
				return here, ctx.Err()
			}
			b.start(newBroker(taken), func(b *publish.Broker) { b.Dial = dial })
			if err := <-b.paused; err == nil || errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "the broker sent a packet") {
				t.Errorf("it failed with %v", err)
			}
		})
	}
}
