package tags

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// port is one connection. It is used by one goroutine at a time.
type port struct {
	plan   *plan
	tags   Tags
	boot   *bootStandIn
	began  time.Time
	reads  uint16  // of the request, where it has no generation
	values []Value // by tag, as read or about to be written

	// written is what was written last, for the fields that have no tag and so
	// cannot be read back.
	written [handshake.Blocks][]uint16
	seen    handshake.Session // in force as the last request told
	bootNow uint32
}

// Read reads the tags of each block and puts its words together.
func (p *port) Read(ctx context.Context, spans ...link.Span) error {
	if err := link.CheckRead(spans); err != nil {
		return err
	}
	outcome, fetched := [handshake.OutWords]uint16{}, false
	for _, s := range spans {
		var err error
		switch s.Block {
		case handshake.REQ:
			err = p.readRequest(ctx, s.Dst)
		case handshake.OUT:
			if !fetched {
				err = p.readOutcome(ctx, outcome[:])
				fetched = true
			}
			// The controller shows one outcome at a time; every other place of
			// the ring reads as nothing.
			clear(s.Dst)
			if index := p.plan.get(outcome[:], "outcome.out_idx"); err == nil && index != 0 && int(index%handshake.OutEntries) == s.Entry {
				copy(s.Dst, outcome[:])
			}
		default:
			err = p.readBack(ctx, s.Block, s.Dst)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// fetch reads tags into the values of the port.
func (p *port) fetch(ctx context.Context, b handshake.ID, tags []int) error {
	if len(tags) == 0 {
		return nil
	}
	return p.tags.Read(ctx, b, tags, p.values)
}

// decode puts the values of tags into the words of their block.
func (p *port) decode(b handshake.ID, tags []int, words []uint16) error {
	var bad []error
	for _, i := range tags {
		if err := p.plan.points[i].Decode(p.values[i], words); err != nil {
			bad = append(bad, err)
		}
	}
	if len(bad) > 0 {
		return &link.Error{Op: "read", Block: b, Class: link.Refused, Err: errors.Join(bad...),
			Help: "compare type, order, scale and unit of the tag with the controller"}
	}
	return nil
}

// agreeing reads tags twice and reports whether both reads were the same in
// the tags that have to be.
func (p *port) agreeing(ctx context.Context, b handshake.ID, tags, steady []int) (bool, error) {
	if err := p.fetch(ctx, b, tags); err != nil {
		return false, err
	}
	before := slices.Clone(p.values)
	if err := p.fetch(ctx, b, tags); err != nil {
		return false, err
	}
	return !slices.ContainsFunc(steady, func(i int) bool { return p.values[i] != before[i] }), nil
}

// readRequest reads one view of the controller. With a generation it stands
// between the tail read before and the head read after, in the order opposite
// to the controller's; without one it is read twice. A view that was caught
// while it was written comes with two generations, which the reader refuses.
func (p *port) readRequest(ctx context.Context, dst []uint16) error {
	copy(dst, p.plan.stands[:])
	whole := true
	var err error
	if len(p.plan.head) == 0 {
		whole, err = p.agreeing(ctx, handshake.REQ, p.plan.view, p.plan.steady)
	} else {
		for _, part := range [][]int{p.plan.tail, p.plan.view, p.plan.head} {
			if err = p.fetch(ctx, handshake.REQ, part); err != nil {
				break
			}
		}
	}
	if err != nil {
		return err
	}
	own := slices.Concat(p.plan.tail, p.plan.view, p.plan.head)
	own = slices.DeleteFunc(own, func(i int) bool { return p.plan.points[i].Field.Block != handshake.REQ })
	if err := p.decode(handshake.REQ, own, dst); err != nil {
		return err
	}
	if err := p.complete(dst); err != nil {
		return err
	}
	if len(p.plan.head) == 0 {
		// Without a generation each read counts as a publication of its own.
		p.reads++
		p.plan.put(dst, "request.gen_head", int64(p.reads))
		p.plan.put(dst, "request.gen_tail", int64(p.reads))
	}
	if !whole {
		p.plan.put(dst, "request.gen_tail", p.plan.get(dst, "request.gen_head")+1)
	}
	seal(dst)
	return nil
}

// complete adds what follows from other tags for the fields that have none.
func (p *port) complete(dst []uint16) error {
	var hello [handshake.HelloWords]uint16
	var commit [handshake.CommitWords]uint16
	var outcome [handshake.OutWords]uint16
	var ack [handshake.AckWords]uint16
	for _, x := range [...]struct {
		block handshake.ID
		words []uint16
	}{{handshake.HELLO, hello[:]}, {handshake.COMMIT, commit[:]}, {handshake.OUT, outcome[:]}, {handshake.ACK, ack[:]}} {
		also := slices.DeleteFunc(slices.Clone(p.plan.view), func(i int) bool { return p.plan.points[i].Field.Block != x.block })
		if err := p.decode(handshake.REQ, also, x.words); err != nil {
			return err
		}
	}
	lacks := func(name string) bool { return !p.plan.knows(name) }
	if lacks("request.boot_id") {
		p.plan.put(dst, "request.boot_id", int64(p.boot.take(uint32(p.plan.get(hello[:], "hello.boot_id")), time.Now())))
	}
	if lacks("request.tick") {
		const step = 10 * time.Millisecond
		p.plan.put(dst, "request.tick", int64(uint32(time.Since(p.began)/step)+1))
	}
	p.completeSession(dst, hello[:])
	p.completeResult(dst, commit[:], outcome[:])
	p.completeOutcomes(dst, p.plan.get(outcome[:], "outcome.out_idx"), p.plan.get(ack[:], "ack.up_to"))
	// A mapping has no limits of the controller, whatever its flags say.
	p.plan.put(dst, "request.flags", p.plan.get(dst, "request.flags")&^int64(handshake.LimitsPublished))
	p.bootNow = uint32(p.plan.get(dst, "request.boot_id"))
	p.seen = handshake.Session{Epoch: uint32(p.plan.get(dst, "request.active_epoch")), Nonce: uint32(p.plan.get(dst, "request.active_nonce"))}
	return nil
}

// completeSession takes the session last written for the one in force where
// the controller does not tell.
func (p *port) completeSession(dst, hello []uint16) {
	epoch := p.plan.get(hello, "hello.epoch")
	if !p.plan.knows("request.active_epoch") {
		p.plan.put(dst, "request.active_epoch", epoch)
	}
	if !p.plan.knows("request.epoch_floor") {
		p.plan.put(dst, "request.epoch_floor", epoch)
	}
	if !p.plan.knows("request.active_nonce") {
		nonce := p.plan.get(hello, "hello.nonce")
		if w := p.written[handshake.HELLO]; !p.plan.knows("hello.nonce") && w != nil && p.plan.get(w, "hello.epoch") == p.plan.get(dst, "request.active_epoch") {
			nonce = p.plan.get(w, "hello.nonce")
		}
		p.plan.put(dst, "request.active_nonce", nonce)
	}
}

// completeResult gives a verdict the session that it has no tags for, and where
// the controller gives no verdict draws it from the phase, or from the outcome
// of a roll that left before its phase was seen. The commit is read back for
// this, so that it holds after a restart too.
func (p *port) completeResult(dst, commit, outcome []uint16) {
	if !p.plan.readsBack {
		return
	}
	verdict := handshake.NoVerdict
	switch handshake.Phase(p.plan.get(dst, "request.phase")) {
	case handshake.Run:
		verdict = handshake.Accepted
	case handshake.Held:
		verdict = handshake.HeldVerdict
	case handshake.Await:
		verdict = handshake.Rejected
	}
	session := [2]int64{p.plan.get(dst, "request.active_epoch"), p.plan.get(dst, "request.active_nonce")}
	for i, name := range []string{"commit.epoch", "commit.nonce"} {
		if p.plan.knows(name) {
			session[i] = p.plan.get(commit, name)
		}
	}
	offer := p.plan.get(commit, "commit.offer")
	current := !p.plan.knows("commit.req_id") || p.plan.get(commit, "commit.req_id") == p.plan.get(dst, "request.req_id")
	if !p.plan.knows("request.result_offer") {
		switch {
		case offer == 0:
			return
		case p.plan.get(outcome, "outcome.offer") == offer && p.plan.get(outcome, "outcome.epoch") == session[0] && p.plan.get(outcome, "outcome.nonce") == session[1]:
			verdict = handshake.Accepted
		case !current || verdict == handshake.NoVerdict || verdict == handshake.Rejected:
			return // no verdict can be told from the phase
		}
		p.plan.put(dst, "request.result_offer", offer)
		p.plan.put(dst, "request.result_verdict", int64(verdict))
		p.plan.put(dst, "request.result_req_id", p.plan.get(dst, "request.req_id"))
	} else if p.plan.get(dst, "request.result_offer") != offer || p.plan.get(dst, "request.result_verdict") != int64(verdict) || !current {
		return // of an earlier session, for all that can be seen
	}
	if !p.plan.knows("request.result_epoch") {
		p.plan.put(dst, "request.result_epoch", session[0])
	}
	if !p.plan.knows("request.result_nonce") {
		p.plan.put(dst, "request.result_nonce", session[1])
	}
}

// completeOutcomes makes the counters of the ring agree with the one outcome
// that is shown: those before it are gone from the controller.
func (p *port) completeOutcomes(dst []uint16, index, acked int64) {
	if !p.plan.knows("outcome.out_idx") {
		p.plan.put(dst, "request.outcomes_produced", 0)
		p.plan.put(dst, "request.outcomes_acknowledged", 0)
		return
	}
	if p.plan.knows("request.outcomes_acknowledged") {
		acked = p.plan.get(dst, "request.outcomes_acknowledged")
	}
	p.plan.put(dst, "request.outcomes_produced", max(p.plan.get(dst, "request.outcomes_produced"), index))
	p.plan.put(dst, "request.outcomes_acknowledged", max(min(acked, index), index-1, 0))
}

// readOutcome reads the outcome that the controller shows. One that changes
// meanwhile reads as none.
func (p *port) readOutcome(ctx context.Context, words []uint16) error {
	tags := p.plan.all[handshake.OUT]
	whole, err := p.agreeing(ctx, handshake.OUT, tags, tags)
	if err != nil || !whole || len(tags) == 0 {
		return err
	}
	if err := new(handshake.Outcome).Encode(words); err != nil {
		return err
	}
	p.plan.put(words, "outcome.boot_id", int64(p.bootNow))
	if err := p.decode(handshake.OUT, tags, words); err != nil {
		return err
	}
	seal(words)
	return nil
}

// readBack reads a block of the gateway. A field without a tag is taken as it
// was written.
func (p *port) readBack(ctx context.Context, b handshake.ID, dst []uint16) error {
	if w := p.written[b]; w != nil {
		copy(dst, w)
	} else if err := empty(b, dst); err != nil {
		return err
	}
	if err := p.fetch(ctx, b, p.plan.all[b]); err != nil {
		return err
	}
	if err := p.decode(b, p.plan.all[b], dst); err != nil {
		return err
	}
	seal(dst)
	return nil
}

// Write writes the tags of a block, the one that starts something last. A value
// that a tag cannot hold exactly is refused before anything is written.
func (p *port) Write(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckWrite(b, words); err != nil {
		return err
	}
	var bad []error
	for _, i := range p.plan.all[b] {
		v, err := p.plan.points[i].Encode(words)
		if err != nil {
			bad = append(bad, err)
		}
		p.values[i] = v
	}
	if len(bad) > 0 {
		return &link.Error{Op: "write", Block: b, Class: link.Refused, Err: errors.Join(bad...),
			Help: "give the tag a wider type or a finer scale in the controller and in the configuration"}
	}
	for n, part := range [][]int{p.plan.first[b], p.plan.last[b]} {
		if len(part) == 0 {
			continue
		}
		if err := p.tags.Write(ctx, b, part, p.values); err != nil {
			return p.partly(b, n > 0 && len(p.plan.first[b]) > 0, err)
		}
	}
	p.written[b] = append(p.written[b][:0], words...)
	return nil
}

// partly makes an error of class Unknown of a refusal that came after a part
// was written, and ends the connection then.
func (p *port) partly(b handshake.ID, begun bool, err error) error {
	if !begun || link.ClassOf(err) != link.Refused {
		return err
	}
	_ = p.tags.Close()
	return &link.Error{Op: "write", Block: b, Class: link.Unknown, Err: fmt.Errorf("a part was written before: %w", err),
		Help: "see that every tag of the block can be written"}
}

func (p *port) Close() error { return p.tags.Close() }

// empty fills words with a block of zeros.
func empty(b handshake.ID, words []uint16) error {
	switch b {
	case handshake.HEARTBEAT:
		return new(handshake.Heartbeat).Encode(words)
	case handshake.HELLO:
		return new(handshake.Hello).Encode(words)
	case handshake.PAYLOAD:
		return new(handshake.Payload).Encode(words)
	case handshake.COMMIT:
		return new(handshake.Commit).Encode(words)
	}
	return new(handshake.Ack).Encode(words)
}

// seal writes the checksum into the last two words of a block.
func seal(words []uint16) {
	n := len(words) - 2
	crc := handshake.CRC(words[:n])
	words[n], words[n+1] = uint16(crc>>16), uint16(crc)
}
