package channel

import (
	"errors"
	"fmt"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// service is one kind of request and the answer to it.
type service struct {
	request, answer uint16 // identifiers of their binary encodings
	walk            func(*walker)
}

// serviceOf knows every request that is made.
func serviceOf(r ua.Request) (service, bool) {
	switch r.(type) {
	case *ua.OpenSecureChannelRequest:
		return service{id.OpenSecureChannelRequest_Encoding_DefaultBinary, id.OpenSecureChannelResponse_Encoding_DefaultBinary, (*walker).opened}, true
	case *ua.CloseSecureChannelRequest: // never answered
		return service{id.CloseSecureChannelRequest_Encoding_DefaultBinary, id.CloseSecureChannelResponse_Encoding_DefaultBinary, (*walker).head}, true
	case *ua.GetEndpointsRequest:
		return service{id.GetEndpointsRequest_Encoding_DefaultBinary, id.GetEndpointsResponse_Encoding_DefaultBinary, (*walker).endpoints}, true
	case *ua.CreateSessionRequest:
		return service{id.CreateSessionRequest_Encoding_DefaultBinary, id.CreateSessionResponse_Encoding_DefaultBinary, (*walker).created}, true
	case *ua.ActivateSessionRequest:
		return service{id.ActivateSessionRequest_Encoding_DefaultBinary, id.ActivateSessionResponse_Encoding_DefaultBinary, (*walker).activated}, true
	case *ua.CloseSessionRequest:
		return service{id.CloseSessionRequest_Encoding_DefaultBinary, id.CloseSessionResponse_Encoding_DefaultBinary, (*walker).head}, true
	case *ua.ReadRequest, *ReadRequest:
		return service{id.ReadRequest_Encoding_DefaultBinary, id.ReadResponse_Encoding_DefaultBinary, (*walker).read}, true
	case *ua.WriteRequest:
		return service{id.WriteRequest_Encoding_DefaultBinary, id.WriteResponse_Encoding_DefaultBinary, (*walker).written}, true
	case *ua.BrowseRequest:
		return service{id.BrowseRequest_Encoding_DefaultBinary, id.BrowseResponse_Encoding_DefaultBinary, (*walker).browsed}, true
	case *ua.BrowseNextRequest:
		return service{id.BrowseNextRequest_Encoding_DefaultBinary, id.BrowseNextResponse_Encoding_DefaultBinary, (*walker).browsed}, true
	}
	return service{}, false
}

// Limits of what an answer may hold.
const (
	mostDepth      = 100 // values within values, as the specification wants of a decoder at least
	mostDimensions = 8
	mostElements   = 65535 // of one array in a value, as the library has it
	// Decoding one small value takes hundreds of bytes, and a single byte can
	// stand for one: so many are allowed, and one more for each four bytes.
	freeValues, bytesPerValue = 1000, 4
)

// checkAnswer walks over an encoded answer without decoding it: it is the answer
// asked for or a refusal, everything that it counts is there, nothing is nested
// without bound, and nothing is left over. Decoding it then takes memory in
// proportion to its length. The bodies of structures are not looked at; their
// types are blotted out in b, so that the library does not look at them either.
func checkAnswer(b []byte, s service) error {
	w := walker{rest: b, values: freeValues + len(b)/bytesPerValue}
	switch got := w.kind(); {
	case w.err != nil:
	case got == uint32(s.answer):
		s.walk(&w)
	case got == id.ServiceFault_Encoding_DefaultBinary:
		w.head()
	default:
		w.fail("it is of type i=%d, want i=%d", got, s.answer)
	}
	if w.err == nil && len(w.rest) > 0 {
		w.fail("%d bytes are left over", len(w.rest))
	}
	if w.err != nil {
		return fmt.Errorf("answer is malformed at byte %d of %d: %w", len(b)-len(w.rest), len(b), w.err)
	}
	return nil
}

// walker goes over encoded values, OPC 10000-6 section 5.2. After the first
// mistake it stands still.
type walker struct {
	rest   []byte
	depth  int
	values int // that may still come
	err    error
}

func (w *walker) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf(format, args...)
	}
}

var errShort = errors.New("it ends within a value")

// take goes over n bytes and returns them, nil after a mistake.
func (w *walker) take(n int) []byte {
	if w.err == nil && n > len(w.rest) {
		w.err = errShort
	}
	if w.err != nil {
		return nil
	}
	b := w.rest[:n]
	w.rest = w.rest[n:]
	return b
}

func (w *walker) byte() byte {
	if b := w.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (w *walker) uint32() uint32 {
	if b := w.take(4); b != nil {
		return le.Uint32(b)
	}
	return 0
}

func (w *walker) four()  { w.take(4) }
func (w *walker) eight() { w.take(8) }

// text is a text or a string of bytes.
func (w *walker) text() {
	n := w.uint32()
	if n == absent {
		return
	}
	if uint64(n) > uint64(len(w.rest)) {
		w.fail("a text of %d bytes, %d are left", n, len(w.rest))
		return
	}
	w.take(int(n))
}

// count is the length of an array whose elements take so many bytes at least.
func (w *walker) count(least int) int {
	n := w.uint32()
	if n == absent || w.err != nil {
		return 0
	}
	if uint64(n)*uint64(least) > uint64(len(w.rest)) {
		w.fail("an array of %d elements, %d bytes are left", n, len(w.rest))
		return 0
	}
	return int(n)
}

func (w *walker) array(least int, element func(*walker)) {
	for n := w.count(least); n > 0 && w.err == nil; n-- {
		element(w)
	}
}

// value counts one value that can be shorter than four bytes.
func (w *walker) value() {
	if w.values--; w.values < 0 {
		w.fail("more small values than its length allows")
	}
}

// within goes over what can hold itself.
func (w *walker) within(inner func(*walker)) {
	if w.depth++; w.depth > mostDepth {
		w.fail("values nested deeper than %d", mostDepth)
		return
	}
	inner(w)
	w.depth--
}

// kind is the number that begins an answer, in the namespace of the
// specification.
func (w *walker) kind() uint32 {
	switch form := w.byte(); form {
	case 0:
		return uint32(w.byte())
	case 1:
		if b := w.take(3); b != nil && b[0] == 0 {
			return uint32(le.Uint16(b[1:]))
		}
	case 2:
		if b := w.take(6); b != nil && le.Uint16(b) == 0 {
			return le.Uint32(b[2:])
		}
	}
	w.fail("it does not begin with the type of an answer")
	return 0
}

// nodeID is the identifier of a node.
func (w *walker) nodeID() { w.identifier(w.byte()) }

func (w *walker) identifier(form byte) {
	w.value()
	switch form {
	case 0:
		w.take(1)
	case 1:
		w.take(3)
	case 2:
		w.take(6)
	case 3, 5:
		w.take(2)
		w.text()
	case 4:
		w.take(2 + 16)
	default:
		w.fail("an identifier of form %#x", form)
	}
}

// expandedNodeID may name a namespace and a server besides.
func (w *walker) expandedNodeID() {
	form := w.byte()
	w.identifier(form &^ 0xc0)
	if form&0x80 != 0 {
		w.text()
	}
	if form&0x40 != 0 {
		w.four()
	}
}

func (w *walker) qualifiedName() {
	w.take(2)
	w.text()
}

func (w *walker) localizedText() {
	w.value()
	mask := w.byte()
	if mask > 3 {
		w.fail("a localized text of form %#x", mask)
	}
	if mask&1 != 0 {
		w.text()
	}
	if mask&2 != 0 {
		w.text()
	}
}

func (w *walker) diagnostic() {
	w.value()
	mask := w.byte()
	if mask > 0x7f {
		w.fail("a diagnostic of form %#x", mask)
	}
	for bit := range 4 { // numbers of texts
		if mask>>bit&1 != 0 {
			w.four()
		}
	}
	if mask&0x10 != 0 {
		w.text()
	}
	if mask&0x20 != 0 {
		w.four()
	}
	if mask&0x40 != 0 {
		w.within((*walker).diagnostic)
	}
}

// structure is an object of a type of its own. Nothing here needs its body, and
// its type alone would let the library decode it.
func (w *walker) structure() {
	start := w.rest
	w.nodeID()
	kind := start[:len(start)-len(w.rest)]
	form := w.take(1)
	switch {
	case form == nil || form[0] == 0:
		return
	case form[0] > 2:
		w.fail("a structure of form %#x", form[0])
		return
	}
	w.text()
	if w.err != nil {
		return
	}
	if kind[0] <= 2 { // by number, as all that the library knows
		clear(kind[1:])
	}
	form[0] = ua.ExtensionObjectBinary
}

func (w *walker) dataValue() {
	w.value()
	mask := w.byte()
	if mask > 0x3f {
		w.fail("a value with a mask of %#x", mask)
	}
	if mask&ua.DataValueValue != 0 {
		w.within((*walker).variant)
	}
	if mask&ua.DataValueStatusCode != 0 {
		w.four()
	}
	if mask&ua.DataValueSourceTimestamp != 0 {
		w.eight()
	}
	if mask&ua.DataValueSourcePicoseconds != 0 {
		w.take(2)
	}
	if mask&ua.DataValueServerTimestamp != 0 {
		w.eight()
	}
	if mask&ua.DataValueServerPicoseconds != 0 {
		w.take(2)
	}
}

// element tells how one value of a type of OPC 10000-6 table 1 is gone over: so
// many bytes, or by a function after the least of bytes.
func element(t ua.TypeID) (bytes int, walk func(*walker)) {
	switch t {
	case ua.TypeIDBoolean, ua.TypeIDSByte, ua.TypeIDByte:
		return 1, nil
	case ua.TypeIDInt16, ua.TypeIDUint16:
		return 2, nil
	case ua.TypeIDInt32, ua.TypeIDUint32, ua.TypeIDFloat, ua.TypeIDStatusCode:
		return 4, nil
	case ua.TypeIDInt64, ua.TypeIDUint64, ua.TypeIDDouble, ua.TypeIDDateTime:
		return 8, nil
	case ua.TypeIDGUID:
		return 16, nil
	case ua.TypeIDString, ua.TypeIDByteString, ua.TypeIDXMLElement:
		return 4, (*walker).text
	case ua.TypeIDNodeID:
		return 2, (*walker).nodeID
	case ua.TypeIDExpandedNodeID:
		return 2, (*walker).expandedNodeID
	case ua.TypeIDQualifiedName:
		return 6, (*walker).qualifiedName
	case ua.TypeIDLocalizedText:
		return 1, (*walker).localizedText
	case ua.TypeIDExtensionObject:
		return 3, (*walker).structure
	case ua.TypeIDDataValue:
		return 1, (*walker).dataValue
	case ua.TypeIDVariant:
		return 1, (*walker).variant
	case ua.TypeIDDiagnosticInfo:
		return 1, (*walker).diagnostic
	}
	return 0, nil
}

func (w *walker) variant() {
	w.value()
	mask := w.byte()
	if mask == 0 {
		return
	}
	array, dimensions := mask&ua.VariantArrayValues != 0, mask&ua.VariantArrayDimensions != 0
	size, walk := element(ua.TypeID(mask & 0x3f))
	if size == 0 || dimensions && !array {
		w.fail("a value with a mask of %#x", mask)
		return
	}
	if !array {
		w.one(size, walk)
		return
	}
	n := w.count(size)
	if n > mostElements {
		w.fail("an array of %d elements, want %d at most", n, mostElements)
		return
	}
	if walk == nil {
		w.take(n * size)
	} else {
		for i := 0; i < n && w.err == nil; i++ {
			w.one(size, walk)
		}
	}
	if dimensions {
		w.dimensions(n)
	}
}

func (w *walker) one(size int, walk func(*walker)) {
	if walk == nil {
		w.take(size)
		return
	}
	w.within(walk)
}

// dimensions are taken when their product is the number of elements.
func (w *walker) dimensions(elements int) {
	n := w.count(4)
	if n > mostDimensions {
		w.fail("an array of %d dimensions, want %d at most", n, mostDimensions)
		return
	}
	product := uint64(1)
	for range n {
		size := w.uint32()
		if product *= uint64(size); size == 0 || product > uint64(elements) {
			w.fail("dimensions of an array that are not those of its %d elements", elements)
			return
		}
	}
	if n > 0 && product != uint64(elements) {
		w.fail("dimensions of an array that are not those of its %d elements", elements)
	}
}

// head begins every answer, and is all of a refusal.
func (w *walker) head() {
	w.take(8 + 4 + 4) // time, handle, result
	w.diagnostic()
	w.array(4, (*walker).text)
	w.structure()
}

func (w *walker) opened() {
	w.head()
	w.take(4 + 4 + 4 + 8 + 4) // version; channel, token, time, lifetime
	w.text()
}

func (w *walker) endpoints() {
	w.head()
	w.array(50, (*walker).endpoint)
}

func (w *walker) endpoint() {
	w.text()
	w.application()
	w.text()
	w.four()
	w.text()
	w.array(20, (*walker).userToken)
	w.text()
	w.take(1)
}

func (w *walker) application() {
	w.text()
	w.text()
	w.localizedText()
	w.four()
	w.text()
	w.text()
	w.array(4, (*walker).text)
}

func (w *walker) userToken() {
	w.text()
	w.four()
	w.text()
	w.text()
	w.text()
}

// pair is two texts, as a signature and its algorithm.
func (w *walker) pair() {
	w.text()
	w.text()
}

func (w *walker) created() {
	w.head()
	w.nodeID()
	w.nodeID()
	w.eight()
	w.text()
	w.text()
	w.array(50, (*walker).endpoint)
	w.array(8, (*walker).pair)
	w.pair()
	w.four()
}

func (w *walker) activated() {
	w.head()
	w.text()
	w.results()
}

func (w *walker) read() {
	w.head()
	w.array(1, (*walker).dataValue)
	w.array(1, (*walker).diagnostic)
}

func (w *walker) written() {
	w.head()
	w.results()
}

// results are the statuses of several items, and their diagnostics.
func (w *walker) results() {
	w.array(4, (*walker).four)
	w.array(1, (*walker).diagnostic)
}

func (w *walker) browsed() {
	w.head()
	w.array(12, (*walker).browseResult)
	w.array(1, (*walker).diagnostic)
}

func (w *walker) browseResult() {
	w.four()
	w.text()
	w.array(18, (*walker).reference)
}

func (w *walker) reference() {
	w.nodeID()
	w.take(1)
	w.expandedNodeID()
	w.qualifiedName()
	w.localizedText()
	w.four()
	w.expandedNodeID()
}
