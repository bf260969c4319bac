package inspect

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/modbus"
	"lapgate/gateway/tags"
)

// RegisterReader reads registers of one unit of a device, as a modbus.Probe does, with
// its errors.
type RegisterReader interface {
	Read(ctx context.Context, kind modbus.Reads, address, count int) ([]uint16, time.Duration, error)
	Close() error
}

// Stretch is a range of zero-based addresses, both ends included.
type Stretch struct{ First, Last int }

// RegisterSearch says where the blocks of the handshake are looked for, and how the
// registers are read. Errors of Open are *link.Error.
type RegisterSearch struct {
	Units []int
	// Bases are where the request block may begin. Of a stretch of one address the two
	// beside it are tried as well: manuals count from one or from zero.
	Bases []Stretch
	Open  func(ctx context.Context, unit uint8) (RegisterReader, error)
	Pace  func(context.Context) error // is waited for before each connection and each request
	Tell  func(Tried)                 // is told what was tried, one after the other
	// Controller is what is configured of the controller beside what is found:
	// protocol, address and what goes with them.
	Controller config.Controller
}

// StandardBase is where the description of the handshake proposes that the request
// block begins.
func StandardBase() Stretch {
	b := standardBase(handshake.REQ)
	return Stretch{b, b}
}

// Requests is about how many requests the search takes where nothing is found.
func (w *RegisterSearch) Requests() (n int) {
	for _, b := range w.Bases {
		if b.First == b.Last {
			n += len(neighbours(b.First))
			continue
		}
		n += (b.Last - b.First + handshake.ReqWords + portion - 1) / portion
	}
	return n * len(kinds()) * len(w.Units)
}

// Tried is one thing that was tried, and what came of it.
type Tried struct {
	Where string `json:"where"`
	Got   string `json:"got"`
}

// FoundBlock is one block of what was found.
type FoundBlock struct {
	Block string `json:"block"`
	Where string `json:"where"`
	State string `json:"state"`
	found bool
}

// Found are the blocks of one line.
type Found struct {
	Place  string       `json:"place"`
	Order  string       `json:"order"`
	Blocks []FoundBlock `json:"blocks"`
	// Lines is the section of the configuration, empty where no configuration makes
	// the blocks readable.
	Lines   string `json:"lines"`
	Trouble string `json:"trouble,omitempty" print:"below"`
}

// SearchReport is what a search tried and found.
type SearchReport struct {
	Answered bool    `json:"answered"` // whether anything did
	Tried    []Tried `json:"tried" print:"csv"`
	Found    []Found `json:"found" print:"apart"`
	Requests int     `json:"requests"` // connections and messages that were sent
}

// NewSearchReport is the report of a search that has not begun.
func NewSearchReport() *SearchReport { return &SearchReport{Tried: []Tried{}, Found: []Found{}} }

// Add adds what another search of the same host tried and found.
func (r *SearchReport) Add(other *SearchReport) {
	r.Answered = r.Answered || other.Answered
	r.Tried, r.Found = append(r.Tried, other.Tried...), append(r.Found, other.Found...)
	r.Requests += other.Requests
}

// Troubles are what is wrong with what was found.
func (r *SearchReport) Troubles() (out []string) {
	for _, f := range r.Found {
		if f.Trouble != "" {
			out = append(out, f.Place+": "+f.Trouble)
		}
	}
	return out
}

// portion is how many registers of a range are read at once. A block has at least one
// whole portion within it, wherever it begins, so that each range can be refused whose
// registers are not all there without a block being missed.
const portion = handshake.ReqWords / 2

// kinds are the kinds of registers, in the order in which they are tried.
func kinds() []modbus.Reads { return []modbus.Reads{modbus.ReadHolding, modbus.ReadInput} }

func kindName(k modbus.Reads) string {
	if k == modbus.ReadInput {
		return InputRegisters
	}
	return HoldingRegisters
}

// neighbours are the addresses that a base may mean, itself first.
func neighbours(base int) (out []int) {
	for _, at := range []int{base, base - 1, base + 1} {
		if at >= 0 && at+handshake.ReqWords <= 1<<16 {
			out = append(out, at)
		}
	}
	return out
}

// registerSearch is a search on its way.
type registerSearch struct {
	*RegisterSearch
	report *SearchReport
	unit   uint8
	reader RegisterReader // nil while there is no connection
	kind   modbus.Reads
	most   int // registers in one request
	found  []foundRegisters
}

// foundRegisters is a request block that was found.
type foundRegisters struct {
	unit    uint8
	kind    modbus.Reads
	base    int
	most    int
	order   blockOrder
	request handshake.Request
}

// Search looks for the blocks and writes nothing. The error is that of the connection,
// or of the context; the report holds what was seen before it.
func (w *RegisterSearch) Search(ctx context.Context) (*SearchReport, error) {
	s := &registerSearch{RegisterSearch: w, report: NewSearchReport()}
	for _, unit := range w.Units {
		err := s.searchUnit(ctx, uint8(unit))
		s.close()
		var e *link.Error
		if err != nil && (ctx.Err() != nil || errors.As(err, &e)) {
			return s.report, err
		}
		if err != nil {
			s.tell(fmt.Sprintf("unit %d", unit), err.Error())
		}
	}
	return s.report, nil
}

func (s *registerSearch) close() {
	if s.reader != nil {
		_ = s.reader.Close() // only read from
		s.reader = nil
	}
}

func (s *registerSearch) tell(where, got string) {
	t := Tried{where, got}
	s.report.Tried = append(s.report.Tried, t)
	if s.Tell != nil {
		s.Tell(t)
	}
}

// refusal is an answer that does not give the registers.
type refusal struct{ *modbus.ProbeError }

// Unwrap hides the cause: the registers are not there, whatever it is.
func (r refusal) Unwrap() error { return nil }

// The exceptions of the protocol that say more than that a read is refused.
const (
	illegalFunction = 1
	illegalValue    = 3
	noPath          = 10
	noTarget        = 11
)

// errNoKind is of a device that does not offer a kind of registers.
var errNoKind = errors.New("the device does not offer this kind of registers")

// ask reads registers, in as many requests as the device needs. A refusal says that it
// answers, but not with these; other errors end the unit.
func (s *registerSearch) ask(ctx context.Context, kind modbus.Reads, address, count int) ([]uint16, error) {
	var words []uint16
	for len(words) < count {
		n := min(s.most, count-len(words))
		part, err := s.once(ctx, kind, address+len(words), n)
		var e *modbus.ProbeError
		switch {
		case err == nil:
			s.report.Answered = true
			words = append(words, part...)
		case !errors.As(err, &e) || e.Class != link.Refused:
			s.close()
			return nil, err
		case e.Code == noPath || e.Code == noTarget:
			s.report.Answered = true
			return nil, fmt.Errorf("no such unit: %w", e.Err)
		case e.Code == illegalFunction:
			s.report.Answered = true
			return nil, errNoKind
		case e.Code == illegalValue && n > 1:
			s.report.Answered = true
			s.most = n / 2
		default:
			s.report.Answered = true
			return nil, refusal{e}
		}
	}
	return words, nil
}

// once is ask in one request.
func (s *registerSearch) once(ctx context.Context, kind modbus.Reads, address, count int) ([]uint16, error) {
	if s.reader == nil {
		err := s.Pace(ctx)
		if err == nil {
			s.report.Requests++
			s.reader, err = s.Open(ctx, s.unit)
		}
		if err != nil {
			s.reader = nil
			return nil, err
		}
	}
	if err := s.Pace(ctx); err != nil {
		return nil, err
	}
	s.report.Requests++
	words, _, err := s.reader.Read(ctx, kind, address, count)
	return words, err
}

// searchUnit looks at one unit: at the second kind of registers where the first has
// nothing.
func (s *registerSearch) searchUnit(ctx context.Context, unit uint8) error {
	s.unit, s.most, s.found = unit, link.MostRead, nil
	for _, s.kind = range kinds() {
		for _, b := range s.Bases {
			look := s.stretch
			if b.First == b.Last {
				look = s.standard
			}
			if err := look(ctx, b); errors.Is(err, errNoKind) {
				s.tell(s.place(b.First, b.Last), err.Error())
				break
			} else if err != nil {
				return err
			}
		}
		if len(s.found) > 0 {
			break
		}
	}
	for i := range s.found {
		if err := s.complete(ctx, &s.found[i]); err != nil {
			return err
		}
	}
	return nil
}

// place names where it is looked.
func (s *registerSearch) place(first, last int) string {
	figure := modbus.HoldingRegister
	if s.kind == modbus.ReadInput {
		figure = modbus.InputRegister
	}
	text := fmt.Sprintf("unit %d, %s registers, base %d (%s)", s.unit, kindName(s.kind), first, modbus.Notation(figure, first))
	if last > first {
		text = fmt.Sprintf("unit %d, %s registers, bases %d to %d (%s to %s)", s.unit, kindName(s.kind), first, last, modbus.Notation(figure, first), modbus.Notation(figure, last))
	}
	return text
}

// standard looks at one base, and at those beside it.
func (s *registerSearch) standard(ctx context.Context, b Stretch) error {
	for _, at := range neighbours(b.First) {
		if found, err := s.at(ctx, at); err != nil || found {
			return err
		}
	}
	return nil
}

// at looks whether a request block begins at an address, and tells what stands there.
func (s *registerSearch) at(ctx context.Context, base int) (bool, error) {
	for n := 1; ; n++ {
		words, err := s.ask(ctx, s.kind, base, handshake.ReqWords)
		var no refusal
		if errors.As(err, &no) {
			s.tell(s.place(base, base), "refused: "+no.Err.Error())
			return false, nil
		}
		if err != nil {
			return false, err
		}
		r, o, err := recognise(words)
		switch {
		case err == nil:
			s.tell(s.place(base, base), "a request block, "+o.String())
			s.found = append(s.found, foundRegisters{s.unit, s.kind, base, s.most, o, r})
			return true, nil
		case empty(words):
			s.tell(s.place(base, base), "nothing but zeros")
			return false, nil
		case n == tries || !torn(err):
			s.tell(s.place(base, base), "other data: "+err.Error())
			return false, nil
		}
	}
}

// stretch reads a range portion by portion, and looks at each address where a request
// block may begin.
func (s *registerSearch) stretch(ctx context.Context, b Stretch) error {
	before, found := len(s.found), 0
	var run []uint16
	from, refused := 0, 0
	look := func() error {
		for i := range run {
			if from+i > b.Last || !begins(run[i:]) {
				continue
			}
			if _, err := s.at(ctx, from+i); err != nil {
				return err
			}
		}
		found += len(run)
		run = nil
		return nil
	}
	for at := b.First; at < min(b.Last+handshake.ReqWords, 1<<16); at += portion {
		words, err := s.ask(ctx, s.kind, at, min(portion, 1<<16-at))
		var no refusal
		if errors.As(err, &no) {
			refused++
			if err := look(); err != nil {
				return err
			}
			continue
		}
		if err != nil {
			return err
		}
		if run == nil {
			from = at
			if at > b.First {
				if run, err = s.edge(ctx, at); err != nil {
					return err
				}
				from -= len(run)
			}
		}
		run = append(run, words...)
	}
	if err := look(); err != nil {
		return err
	}
	if len(s.found) == before {
		s.tell(s.place(b.First, b.Last), fmt.Sprintf("%d registers read, no request block among them; %d portions refused", found, refused))
	}
	return nil
}

// edge reads the registers of a refused portion that can be read, those next to the one
// behind it.
func (s *registerSearch) edge(ctx context.Context, end int) (words []uint16, err error) {
	lo, hi := end-portion, end
	for hi-lo > 1 {
		middle := (lo + hi) / 2
		got, err := s.ask(ctx, s.kind, middle, end-middle)
		var no refusal
		switch {
		case errors.As(err, &no):
			lo = middle
		case err != nil:
			return nil, err
		default:
			words, hi = got, middle
		}
	}
	return words, nil
}

// complete looks for the other blocks of a request block, and adds all to the report.
func (s *registerSearch) complete(ctx context.Context, f *foundRegisters) error {
	s.kind, s.most = f.kind, f.most
	out := Found{Place: s.place(f.base, f.base), Order: f.order.String(), Blocks: []FoundBlock{{"REQ", fmt.Sprint(f.base), BlockDecodes, true}}}
	if f.order != (blockOrder{}) {
		out.Trouble = "the blocks stand in another order than the handshake has them, and no configuration changes that: " +
			"have the controller or its link put the high word of a number first and the high byte of a register first"
		s.report.Found = append(s.report.Found, out)
		return nil
	}
	bases := map[handshake.ID]int{handshake.REQ: f.base}
	for _, id := range handshake.IDs() {
		if id == handshake.REQ {
			continue
		}
		b, at, err := s.other(ctx, f, id, bases)
		if err != nil {
			return err
		}
		out.Blocks, bases[id] = append(out.Blocks, b), at
		if !b.found {
			out.Trouble = join(out.Trouble, fmt.Sprintf("block %s is not where it was looked for (%s); ask the controller's programmer for its base", b.Block, b.Where))
		}
	}
	if _, err := link.NewLayout(bases); err != nil {
		out.Trouble = join(out.Trouble, err.Error())
	}
	out.Lines = s.lines(f, out.Blocks, bases)
	s.report.Found = append(s.report.Found, out)
	return nil
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// other finds one more block: as far from the request block as the description of the
// handshake proposes, or where that proposes it; never where another one was found.
func (s *registerSearch) other(ctx context.Context, f *foundRegisters, id handshake.ID, placed map[handshake.ID]int) (FoundBlock, int, error) {
	standard := standardBase(id)
	bases := []int{standard + f.base - standardBase(handshake.REQ), standard}
	if bases[0] < 0 || bases[0]+extent(id) > 1<<16 || bases[0] == standard {
		bases = bases[1:]
	}
	best, at := FoundBlock{Block: id.String(), State: "not found"}, bases[0]
	if id == handshake.LIMITS && f.request.Flags&handshake.LimitsPublished == 0 {
		return FoundBlock{id.String(), fmt.Sprint(at), "not published, not looked at", true}, at, nil
	}
	for _, base := range bases {
		if !best.found {
			best.Where = join(best.Where, fmt.Sprint(base))
		}
		if slices.ContainsFunc(handshake.IDs(), func(o handshake.ID) bool {
			from, ok := placed[o]
			return ok && from < base+extent(id) && base < from+extent(o)
		}) {
			continue
		}
		state, err := s.judge(ctx, f, id, base)
		if err != nil {
			return best, at, err
		}
		if state == BlockDecodes {
			return FoundBlock{id.String(), fmt.Sprint(base), state, true}, base, nil
		}
		if state == BlockEmpty && !best.found {
			best, at = FoundBlock{id.String(), fmt.Sprint(base), state, true}, base
		}
	}
	return best, at, nil
}

// standardBase is where the description of the handshake proposes a block.
func standardBase(id handshake.ID) int {
	return connect.Registers(&config.Line{Controller: config.Controller{Bases: config.DefaultBases()}})(id, 0)
}

// extent is how many registers a block takes, OUT with its whole ring.
func extent(id handshake.ID) int {
	if id == handshake.OUT {
		return handshake.OutEntries * handshake.OutWords
	}
	return handshake.Words(id)
}

// judge tells what stands where a block may stand: BlockDecodes, BlockEmpty, or
// nothing of it.
func (s *registerSearch) judge(ctx context.Context, f *foundRegisters, id handshake.ID, base int) (string, error) {
	kind, at := f.kind, base
	if handshake.GatewayOwned(id) {
		kind = modbus.ReadHolding
	}
	if id == handshake.OUT {
		// The ring must reach to its end, and its newest outcome stand in its place.
		if _, err := s.ask(ctx, kind, base+(handshake.OutEntries-1)*handshake.OutWords, handshake.OutWords); err != nil {
			return "", plainly(err)
		}
		at += int(f.request.Produced%handshake.OutEntries) * handshake.OutWords
	}
	for n := 1; ; n++ {
		words, err := s.ask(ctx, kind, at, handshake.Words(id))
		if err != nil {
			return "", plainly(err)
		}
		err = handshake.Verify(id, words)
		switch {
		case err == nil:
			return BlockDecodes, nil
		case empty(words) && (handshake.GatewayOwned(id) || id == handshake.OUT && f.request.Produced == 0):
			return BlockEmpty, nil
		case n == tries || !torn(err):
			return "", nil
		}
	}
}

// plainly is nil for a refusal, which only says that a block is not there.
func plainly(err error) error {
	var no refusal
	if errors.As(err, &no) || errors.Is(err, errNoKind) {
		return nil
	}
	return err
}

// baseKey is the key of a block below bases and below opcua.nodes.
func baseKey(id handshake.ID) string {
	if id == handshake.OUT {
		return "outcomes"
	}
	return tags.BlockName(id)
}
