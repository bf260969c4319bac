package record

import (
	"fmt"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Past is what the records of one line tell up to one of them: the state from
// which the line is served on. It is changed by Add alone, so that whoever
// reads the same records knows the same.
type Past struct {
	Epoch    uint32 // newest that was ever taken
	Floor    uint32 // the controller is known to have adopted one at least as high
	Boot     uint32 // newest start of the controller's program
	Boots    map[uint32]bool
	Banned   map[uint32]bool // starts before the controller lost its memory
	Losses   uint32          // how often the controller lost its memory
	LostBoot uint32          // start at which the newest loss was found

	Outcomes uint32 // index of the newest outcome; every earlier one is a record or in a gap
	Held     uint32 // index of the newest outcome in a gap held by the other machine of a pair; 0 for none
	Covered  uint32 // every roll number up to it is a record or in a gap
	Finished uint32 // newest roll with an outcome or an accepted recipe

	Request  Request         // newest
	earlier  Request         // the newest of another token before it
	Shadow   handshake.Token // request of the newest shadow recipe
	Open     *Offer          // offer without an end, or nil
	Accepted *Offer          // newest recipe that was accepted, or nil
	Verdict  *Verdict        // newest, or nil
	HoldAll  bool            // an operator holds every roll
	Doubts   []string        // about the journal, that nobody accepted
	Acts     Acts            // of persons at the line

	rejected   handshake.Token // request that the rejections are of
	rejections []uint16
	confirmed  handshake.Token // request that the confirmations are for
	confirms   []Confirm
	unused     []UnusedOffer // newest offers of which nothing was used, oldest first
}

// mostUnused bounds the offers that are kept to compare outcomes with: the ring
// holds no more outcomes than this, and each roll has one offer or a few.
const mostUnused = 4 * handshake.OutEntries

// Contradicted tells how the offer ended that an outcome says was used: void,
// rejected or held. It is empty where the outcome contradicts nothing.
func (p *Past) Contradicted(o *handshake.Outcome) string {
	for _, u := range slices.Backward(p.unused) {
		if u.Name.Session == o.Session && u.Name.Offer == o.Offer {
			return u.How
		}
	}
	return ""
}

func (p *Past) addUnused(n OfferName, how string) {
	if len(p.unused) == mostUnused {
		p.unused = slices.Delete(p.unused, 0, 1)
	}
	p.unused = append(p.unused, UnusedOffer{n, how})
}

// Offer is an offer as its records tell of it.
type Offer struct {
	Name       OfferName
	Token      handshake.Token
	Roll       uint32
	Form       handshake.Kind
	Origin     handshake.Origin
	Payload    []uint16
	Heads      []HeadsOf // that the roll takes, where they are counted
	Findings   []recipe.Finding
	ConfigHash uint32
	Request    *Request // from which it was decided; nil where the journal does not tell
	Committed  bool
	Losses     uint32             // of the controller's memory, before the offer was made
	Outcome    *handshake.Outcome // of its roll; of an offer that was not accepted, if that came before it ended
}

// Basis is what a decision rests on besides its request.
type Basis struct {
	Finished   uint32    // newest roll with an outcome or an accepted recipe
	HoldAll    bool      // an operator holds every roll
	Previous   *Offer    // newest recipe that was accepted, or nil
	Rejections []uint16  // reasons of the controller for rejecting earlier offers for the same request
	Confirms   []Confirm // of persons, for the same request
	Acts       Acts      // of persons at the line
	// PlatenRate is how fast the cooler platen changed between the request and
	// the one before it, K/s; 0 where that is not known.
	PlatenRate float64
}

// NewPast returns the past of a line of which there is no record yet.
func NewPast() Past { return Past{Boots: map[uint32]bool{}, Banned: map[uint32]bool{}} }

// Basis returns what a decision on a request rests on now.
func (p *Past) Basis(t handshake.Token) Basis {
	b := Basis{Finished: p.Finished, HoldAll: p.HoldAll, Previous: p.Accepted, Acts: p.Acts}
	if p.Request.Token == t {
		b.PlatenRate = platenRate(&p.earlier, &p.Request)
	}
	if p.rejected == t {
		b.Rejections = slices.Clone(p.rejections)
	}
	if p.confirmed == t {
		b.Confirms = slices.Clone(p.confirms)
	}
	return b
}

// rateTicks is how far two requests may lie apart, in ticks of 10 ms, to tell
// how fast a platen changes.
const rateTicks = 10 * 60 * 100

// platenRate is the rate of the cooler platen between two requests, K/s, 0
// where they cannot tell it.
func platenRate(before, now *Request) float64 {
	ticks := now.Tick - before.Tick
	if before.Tick == 0 || now.Tick == 0 || before.Token.Boot != now.Token.Boot || ticks == 0 || ticks > rateTicks ||
		before.Stand.Platen == 0 || now.Stand.Platen == 0 {
		return 0
	}
	return (now.Stand.Platen - before.Stand.Platen) / (float64(ticks) / 100)
}

// Add takes the next record. An error says that it contradicts those before
// it, which no sound journal does.
func (p *Past) Add(r Record) error {
	switch r := r.(type) {
	case Session:
		return p.addSession(&r)
	case Request:
		p.addRequest(r)
	case Intent:
		return p.addIntent(&r)
	case Commit:
		if err := p.isOpen(r.Kind(), r.Offer); err != nil {
			return err
		}
		p.Open.Committed = true
	case Verdict:
		return p.addVerdict(&r)
	case Void:
		if err := p.isOpen(r.Kind(), r.Offer); err != nil {
			return err
		}
		p.Open = nil
		p.addUnused(r.Offer, "void")
	case Outcome:
		p.addOutcome(r.Outcome)
	case Gap:
		return p.addGap(&r)
	case Hold:
		p.HoldAll = r.On
	case Shadow:
		p.Shadow = r.Token
	case Confirm:
		p.addConfirm(r)
	case Doubt:
		p.Doubts = append(p.Doubts, r.Doubts...)
	case Accept:
		p.Doubts = nil
	case Carry:
		if p.Open != nil {
			return fmt.Errorf("CARRY stands before offer %s was closed", p.Open.Name)
		}
		*p = r.Past.Restored()
	case Hang:
		return p.Acts.hang(&r)
	case Hung:
		return p.Acts.step(&r)
	case Station:
		p.Acts.station(&r)
	case Heads:
		p.Acts.count(&r)
	case Override, Origin, Mode, Config, Frame, Alarm, Correction, Published, Register, Takeover:
	case nil:
		return fmt.Errorf("no record")
	default:
		return fmt.Errorf("record of kind %s is not known", r.Kind())
	}
	return nil
}

func (p *Past) addSession(r *Session) error {
	if r.Session.Epoch <= p.Epoch {
		return fmt.Errorf("SESSION takes epoch %d, but epoch %d was taken before", r.Session.Epoch, p.Epoch)
	}
	p.Epoch = r.Session.Epoch
	p.Floor = max(p.Floor, r.Floor)
	p.sawBoot(r.Boot)
	return nil
}

func (p *Past) addRequest(r Request) {
	if p.Request.Token != r.Token {
		p.earlier = p.Request
	}
	p.Request = r
	p.sawBoot(r.Token.Boot)
	if r.Roll == p.Covered+1 { // a roll before it may still have its outcome to come
		p.Covered = r.Roll
	}
}

func (p *Past) addConfirm(r Confirm) {
	if p.confirmed != r.Token {
		p.confirmed, p.confirms = r.Token, nil
	}
	p.confirms = append(p.confirms, r)
}

func (p *Past) addIntent(r *Intent) error {
	if p.Open != nil {
		return fmt.Errorf("INTENT of offer %s stands before offer %s was closed", r.Offer, p.Open.Name)
	}
	p.Floor = max(p.Floor, r.Offer.Session.Epoch)
	p.Open = &Offer{Name: r.Offer, Token: r.Token, Roll: r.Roll, Form: r.Form, Origin: r.Origin,
		Payload: r.Payload, Heads: r.Heads, Findings: r.Findings, ConfigHash: r.ConfigHash, Losses: p.Losses}
	if p.Request.Token == r.Token {
		from := p.Request
		p.Open.Request = &from
	}
	return nil
}

func (p *Past) addVerdict(r *Verdict) error {
	if err := p.isOpen(r.Kind(), r.Offer); err != nil {
		return err
	}
	p.Verdict = r
	o := p.Open
	p.Open = nil
	if r.Verdict != handshake.Accepted {
		p.addUnused(r.Offer, r.Verdict.String())
	}
	if r.Verdict == handshake.Accepted && o.Losses == p.Losses {
		p.Finished = max(p.Finished, r.Roll)
		p.Accepted = o
		p.Acts.tookBy(o.Payload)
		if o.Outcome != nil && o.Outcome.Outcome == handshake.Wrapped {
			p.Acts.takeHeads(o.Heads)
		}
	}
	switch {
	case r.Verdict != handshake.Rejected:
		p.rejected, p.rejections = handshake.Token{}, nil
	case p.rejected != o.Token:
		p.rejected, p.rejections = o.Token, []uint16{r.Reason}
	case !slices.Contains(p.rejections, r.Reason):
		p.rejections = append(p.rejections, r.Reason)
	}
	return nil
}

func (p *Past) addOutcome(o handshake.Outcome) {
	p.Outcomes = max(p.Outcomes, o.Index)
	p.Covered = max(p.Covered, o.RollNo)
	p.Finished = max(p.Finished, o.RollNo)
	p.sawBoot(o.Boot)
	if o.Outcome == handshake.Wrapped {
		p.Acts.took(int(o.Slot))
	}
	if p.Open != nil && p.Open.Roll == o.RollNo && p.Open.Losses == p.Losses {
		p.Open.Outcome = &o
	}
	if p.Accepted != nil && p.Accepted.Roll == o.RollNo && p.Accepted.Losses == p.Losses {
		if o.Outcome == handshake.Wrapped && p.Accepted.Outcome == nil {
			p.Acts.takeHeads(p.Accepted.Heads)
		}
		left := *p.Accepted // a Basis may hold the one before
		left.Outcome = &o
		p.Accepted = &left
	}
}

func (p *Past) addGap(r *Gap) error {
	if r.Closed != nil {
		if err := p.isOpen(r.Kind(), *r.Closed); err != nil {
			return err
		}
		before := p.Open.Losses != p.Losses
		p.Open = nil
		if before {
			return nil // its roll was numbered before the controller lost its memory
		}
	}
	p.Outcomes = max(p.Outcomes, r.ToIndex)
	p.Covered = max(p.Covered, r.ToRoll)
	if r.Cause == HeldByOther {
		p.Held = max(p.Held, r.ToIndex)
	}
	if r.Boot == 0 {
		return nil
	}
	// The controller counts from the start again. Its boot numbers of before
	// must not come back: a token could be named twice.
	p.Outcomes, p.Held, p.Covered, p.Finished, p.Floor = 0, 0, 0, 0, 0
	p.rejected, p.rejections = handshake.Token{}, nil
	p.LostBoot, p.Boot = r.Boot, r.Boot
	p.Losses++
	for b := range p.Boots {
		p.Banned[b] = true
	}
	return nil
}

func (p *Past) isOpen(k Kind, n OfferName) error {
	if p.Open == nil {
		return fmt.Errorf("%s names offer %s, but no offer is open", k, n)
	}
	if p.Open.Name != n {
		return fmt.Errorf("%s names offer %s, but offer %s is open", k, n, p.Open.Name)
	}
	return nil
}

func (p *Past) sawBoot(b uint32) {
	if b != 0 {
		p.Boots[b] = true
		p.Boot = max(p.Boot, b)
	}
}
