package channel

import (
	"bytes"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link/opcua/hostile"
)

// samples are proper answers, with everything in them that can be there.
func samples(t testing.TB) map[string]ua.Response {
	t.Helper()
	inner := &ua.DiagnosticInfo{SymbolicID: 3}
	inner.UpdateMask()
	diagnostic := &ua.DiagnosticInfo{SymbolicID: 1, NamespaceURI: 2, Locale: 3, LocalizedText: 4, AdditionalInfo: "five",
		InnerStatusCode: ua.StatusBad, InnerDiagnosticInfo: inner}
	diagnostic.UpdateMask()
	head := func() *ua.ResponseHeader {
		return &ua.ResponseHeader{Timestamp: time.Now(), RequestHandle: 7, ServiceDiagnostics: diagnostic, StringTable: []string{"", "a", "bc"}}
	}
	token := &ua.UserTokenPolicy{PolicyID: "a", IssuedTokenType: "b", IssuerEndpointURL: "c", SecurityPolicyURI: "d"}
	endpoint := &ua.EndpointDescription{EndpointURL: "opc.tcp://mill.test", ServerCertificate: []byte{1, 2, 3}, SecurityPolicyURI: none,
		Server:             &ua.ApplicationDescription{ApplicationName: ua.NewLocalizedTextWithLocale("press", "en"), DiscoveryURLs: []string{"x", ""}},
		UserIdentityTokens: []*ua.UserTokenPolicy{token, token}, TransportProfileURI: "y"}
	nodes := []*ua.NodeID{ua.NewTwoByteNodeID(9), ua.NewFourByteNodeID(2, 500), ua.NewNumericNodeID(3, 70000), ua.NewStringNodeID(2, "north.Request"),
		ua.NewGUIDNodeID(1, "72962B91-FA75-4AE6-8D28-B404DC7DAF63"), ua.NewByteStringNodeID(1, []byte{1, 2})}
	expanded := ua.NewExpandedNodeID(ua.NewStringNodeID(2, "x"), "urn:mill.test", 5)
	values := []*ua.DataValue{{}, {EncodingMask: 0x3f, Value: ua.MustVariant("all"), Status: 5, SourceTimestamp: time.Now(), ServerTimestamp: time.Now(), SourcePicoseconds: 1, ServerPicoseconds: 2}}
	structure := ua.NewExtensionObject(&ua.Argument{Name: "dwell", DataType: nodes[0], Description: &ua.LocalizedText{}, ArrayDimensions: []uint32{1}})
	text := ua.NewLocalizedText("dwell")
	for _, v := range []any{true, int8(-1), byte(1), int16(-1), uint16(1), int32(-1), uint32(1), int64(-1), uint64(1), float32(1), 1.0, "text",
		time.Now(), ua.NewGUID("72962B91-FA75-4AE6-8D28-B404DC7DAF63"), []byte{1, 2}, ua.XMLElement("<a/>"), nodes[3], expanded, ua.StatusBad,
		&ua.QualifiedName{Name: "n"}, text, structure, values[1], diagnostic,
		[]bool{true, false}, []uint16{1, 2, 3}, []string{"", "x"}, nodes, []*ua.ExtensionObject{structure, structure},
		[]*ua.DataValue{values[1]}, []*ua.Variant{ua.MustVariant(uint16(1)), ua.MustVariant([]uint16{1, 2})}, []*ua.DiagnosticInfo{diagnostic},
		[]*ua.LocalizedText{text}, []uint16{}, [][]uint16{{1, 2, 3}, {4, 5, 6}}, [][][]float64{{{1}, {2}}}, ua.ByteArray{1, 2}} {
		values = append(values, &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)})
	}
	results := []ua.StatusCode{0, ua.StatusBad}
	reference := &ua.ReferenceDescription{ReferenceTypeID: nodes[0], NodeID: expanded, BrowseName: &ua.QualifiedName{Name: "x"}, DisplayName: text, TypeDefinition: expanded}
	browsed := []*ua.BrowseResult{{ContinuationPoint: []byte{1}, References: []*ua.ReferenceDescription{reference, reference}}, {}}
	signature := &ua.SignatureData{Algorithm: "a", Signature: []byte{1}}
	return map[string]ua.Response{
		"opening":   &ua.OpenSecureChannelResponse{ResponseHeader: head(), SecurityToken: &ua.ChannelSecurityToken{ChannelID: 1, CreatedAt: time.Now()}, ServerNonce: make([]byte, 32)},
		"endpoints": &ua.GetEndpointsResponse{ResponseHeader: head(), Endpoints: []*ua.EndpointDescription{endpoint, endpoint}},
		"session": &ua.CreateSessionResponse{ResponseHeader: head(), SessionID: nodes[1], AuthenticationToken: nodes[5], ServerEndpoints: []*ua.EndpointDescription{endpoint},
			ServerSoftwareCertificates: []*ua.SignedSoftwareCertificate{{CertificateData: []byte{1}}}, ServerSignature: signature},
		"activation":  &ua.ActivateSessionResponse{ResponseHeader: head(), ServerNonce: []byte{1}, Results: results, DiagnosticInfos: []*ua.DiagnosticInfo{diagnostic}},
		"close":       &ua.CloseSessionResponse{ResponseHeader: head()},
		"read":        &ua.ReadResponse{ResponseHeader: head(), Results: values, DiagnosticInfos: []*ua.DiagnosticInfo{diagnostic, diagnostic}},
		"write":       &ua.WriteResponse{ResponseHeader: head(), Results: results, DiagnosticInfos: []*ua.DiagnosticInfo{}},
		"browse":      &ua.BrowseResponse{ResponseHeader: head(), Results: browsed},
		"browse next": &ua.BrowseNextResponse{ResponseHeader: head(), Results: browsed},
	}
}

// serviceFor is the service that a sample answers.
func serviceFor(name string) service {
	s, _ := serviceOf(map[string]ua.Request{
		"opening": &ua.OpenSecureChannelRequest{}, "endpoints": &ua.GetEndpointsRequest{}, "session": &ua.CreateSessionRequest{},
		"activation": &ua.ActivateSessionRequest{}, "close": &ua.CloseSessionRequest{}, "read": &ua.ReadRequest{}, "write": &ua.WriteRequest{},
		"browse": &ua.BrowseRequest{}, "browse next": &ua.BrowseNextRequest{},
	}[name])
	return s
}

// names are those of the samples, in one order.
func names(all map[string]ua.Response) []string {
	var out []string
	for name := range all {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

// TestProperAnswers are taken, and cut anywhere they are refused: what is walked
// over is what the library reads.
func TestProperAnswers(t *testing.T) {
	all := samples(t)
	for _, name := range names(all) {
		b, s := hostile.Encode(all[name]), serviceFor(name)
		if err := checkAnswer(bytes.Clone(b), s); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for n := range b {
			if err := checkAnswer(bytes.Clone(b[:n]), s); err == nil {
				t.Errorf("%s cut to %d of %d bytes is taken", name, n, len(b))
			}
		}
		if err := checkAnswer(append(bytes.Clone(b), 0), s); err == nil {
			t.Errorf("%s with a byte more is taken", name)
		}
		for _, other := range names(all) {
			if err := checkAnswer(bytes.Clone(b), serviceFor(other)); other != name && err == nil {
				t.Errorf("%s is taken for %s", name, other)
			}
		}
		fault := hostile.Encode(&ua.ServiceFault{ResponseHeader: hostile.Header(ua.StatusBad)})
		if err := checkAnswer(fault, s); err != nil {
			t.Errorf("refusal of %s: %v", name, err)
		}
	}
}

// TestStructures are passed over: everything else of the answer is decoded, and
// their bodies are not.
func TestStructures(t *testing.T) {
	b := hostile.Encode(samples(t)["read"])
	if err := checkAnswer(b, serviceFor("read")); err != nil {
		t.Fatal(err)
	}
	_, decoded, err := ua.DecodeService(b)
	if err != nil {
		t.Fatal(err)
	}
	structures := 0
	for _, v := range decoded.(*ua.ReadResponse).Results {
		list, ok := v.Value.Value().([]*ua.ExtensionObject)
		if one, single := v.Value.Value().(*ua.ExtensionObject); single {
			list, ok = []*ua.ExtensionObject{one}, true
		}
		for _, s := range list {
			structures++
			if s.Value != nil {
				t.Errorf("a structure was decoded to a %T", s.Value)
			}
		}
		if !ok && v.Value.Type() == ua.TypeIDExtensionObject {
			t.Errorf("a structure became a %T", v.Value.Value())
		}
	}
	if structures != 3 {
		t.Errorf("%d structures", structures)
	}
	xml := &ua.ExtensionObject{EncodingMask: ua.ExtensionObjectXML, TypeID: ua.NewFourByteExpandedNodeID(0, id.Argument_Encoding_DefaultXML)}
	text := ua.XMLElement("<a>")
	xml.Value = &text
	b = hostile.Encode(&ua.ReadResponse{ResponseHeader: hostile.Header(0), Results: []*ua.DataValue{{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(xml)}}})
	if err := checkAnswer(b, serviceFor("read")); err != nil {
		t.Fatal(err)
	}
	if _, decoded, err = ua.DecodeService(b); err != nil || decoded.(*ua.ReadResponse).Results[0].Value.Value().(*ua.ExtensionObject).Value != nil {
		t.Errorf("XML: %v", err)
	}
}

// TestRefusedAnswers names what is wrong and where.
func TestRefusedAnswers(t *testing.T) {
	head := hostile.Encode(&ua.CloseSessionResponse{ResponseHeader: hostile.Header(0)})
	head[2], head[3] = byte(id.ReadResponse_Encoding_DefaultBinary&0xff), byte(id.ReadResponse_Encoding_DefaultBinary>>8)
	value := func(b ...byte) []byte {
		return slices.Concat(head, []byte{1, 0, 0, 0, 1}, b, []byte{0xff, 0xff, 0xff, 0xff})
	}
	for name, tt := range map[string]struct {
		b    []byte
		text string
	}{
		"nothing":                      {nil, "byte 0 of 0: it ends within a value"},
		"another namespace":            {[]byte{1, 1, 0, 0}, "does not begin with the type"},
		"type with a namespace":        {[]byte{0x81, 0, 0, 0}, "does not begin with the type"},
		"another type":                 {[]byte{0, 7}, "of type i=7, want i=634"},
		"identifier of form 6":         {value(17, 6), "an identifier of form 0x6"},
		"identifier with a namespace":  {value(17, 0x80, 0), "an identifier of form 0x80"},
		"localized text of form 4":     {value(21, 4), "a localized text of form 0x4"},
		"diagnostic of form 0x80":      {value(25, 0x80), "a diagnostic of form 0x80"},
		"structure of form 3":          {value(22, 0, 0, 3), "a structure of form 0x3"},
		"value of form 0x40":           {value(23, 0x40), "a value with a mask of 0x40"},
		"nothing that is an array":     {value(0x80, 0, 0, 0, 0), "a value with a mask of 0x80"},
		"too many dimensions":          {value(append([]byte{0xc5, 1, 0, 0, 0, 0, 0, 9, 0, 0, 0}, bytes.Repeat([]byte{1, 0, 0, 0}, 9)...)...), "9 dimensions"},
		"dimensions of another array":  {value(0xc5, 3, 0, 0, 0, 1, 0, 2, 0, 3, 0, 2, 0, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0), "not those of its 3 elements"},
		"dimensions of an empty array": {value(0xc5, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0), "not those of its 0 elements"},
		"variants in variants":         {value(bytes.Repeat([]byte{24}, 200)...), "nested deeper than 100"},
	} {
		if err := checkAnswer(tt.b, serviceFor("read")); err == nil || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: got %v, want %q", name, err, tt.text)
		}
	}
	if err := checkAnswer(value(bytes.Repeat([]byte{24}, mostDepth-1)...), serviceFor("read")); err == nil || strings.Contains(err.Error(), "deeper") {
		t.Errorf("nested as deep as is allowed: got %v, want it to end too early", err)
	}
}

// TestUnknownRequest is one whose answer nothing here could judge.
func TestUnknownRequest(t *testing.T) {
	if _, ok := serviceOf(&ua.CallRequest{}); ok {
		t.Error("a call is known")
	}
}

// mostAllocated is what checking and decoding an answer of a length may take.
func mostAllocated(length int) uint64 { return uint64(100*length + 256<<10) }

// FuzzAnswer changes proper answers: none makes the library panic or take more
// than in proportion, and what is taken can be encoded again.
func FuzzAnswer(f *testing.F) {
	all := samples(f)
	list := names(all)
	for i, name := range list {
		f.Add(uint8(i), hostile.Encode(all[name]))
	}
	header := hostile.Encode(&ua.ReadResponse{ResponseHeader: hostile.Header(0)})
	f.Add(uint8(slices.Index(list, "read")), append(header[:28:28], append([]byte{0, 4, 0, 0}, make([]byte, 1024+4)...)...))
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		if len(b) > MaxMessage {
			return
		}
		s := serviceFor(list[int(which)%len(list)])
		taken := allocated(func() {
			if checkAnswer(b, s) != nil {
				return
			}
			_, answer, err := ua.DecodeService(b)
			if err == nil && reflect.TypeOf(answer) == nil {
				t.Error("nothing was decoded")
			}
		})
		if taken > mostAllocated(len(b)) {
			t.Errorf("%d bytes for an answer of %d", taken, len(b))
		}
	})
}

func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// TestCostliestAnswers measures the answers that take most for their length.
func TestCostliestAnswers(t *testing.T) {
	head := func(kind uint16) []byte {
		b := hostile.Encode(&ua.CloseSessionResponse{ResponseHeader: hostile.Header(0)})
		b[2], b[3] = byte(kind), byte(kind>>8)
		return b
	}
	count := func(n uint32) []byte { return le.AppendUint32(nil, n) }
	read := func(parts ...[]byte) []byte {
		return slices.Concat(head(id.ReadResponse_Encoding_DefaultBinary), slices.Concat(parts...), count(math.MaxUint32))
	}
	whole := (MaxMessage - 100)
	array := func(kind byte, n int, element []byte) []byte {
		return read(count(1), []byte{1, kind | 0x80}, count(uint32(n)), bytes.Repeat(element, n))
	}
	for name, tt := range map[string]struct {
		service string
		b       []byte
	}{
		"empty values":    {"read", read(count(freeValues), make([]byte, freeValues))},
		"values of five":  {"read", read(count(200_000), bytes.Repeat([]byte{2, 0, 0, 0, 0}, 200_000))},
		"values of four":  {"read", read(count(240_000), bytes.Repeat([]byte{0, 2, 0, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0}, 80_000))},
		"variants":        {"read", array(24, 20_000, []byte{7, 1, 0, 0, 0})},
		"empty variants":  {"read", array(24, freeValues-10, []byte{0})},
		"localized texts": {"read", array(21, freeValues-10, []byte{0})},
		"names":           {"read", array(20, mostElements, []byte{0, 0, 255, 255, 255, 255})},
		"identifiers":     {"read", array(18, freeValues/2, []byte{0, 0})},
		"structures":      {"read", array(22, 3000, []byte{0, 0, 0})},
		"texts":           {"read", array(12, mostElements, []byte{255, 255, 255, 255})},
		"references": {"browse", slices.Concat(head(id.BrowseResponse_Encoding_DefaultBinary), count(1), count(0), count(0), count(uint32(whole/18)),
			bytes.Repeat([]byte{0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0, 0, 0, 0}, whole/18), count(0))},
		"browse results": {"browse", slices.Concat(head(id.BrowseResponse_Encoding_DefaultBinary), count(uint32(whole/12)), make([]byte, whole/12*12), count(0))},
		"endpoints":      {"endpoints", slices.Concat(head(id.GetEndpointsResponse_Encoding_DefaultBinary), count(uint32(whole/50)), make([]byte, whole/50*50))},
		"statuses":       {"write", slices.Concat(head(id.WriteResponse_Encoding_DefaultBinary), count(uint32(whole/4)), make([]byte, whole/4*4), count(0))},
	} {
		t.Run(name, func(t *testing.T) {
			var err error
			taken := allocated(func() {
				if err = checkAnswer(tt.b, serviceFor(tt.service)); err == nil {
					_, _, err = ua.DecodeService(tt.b)
				}
			})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%d bytes take %d, %.0f for each", len(tt.b), taken, float64(taken)/float64(len(tt.b)))
			if taken > mostAllocated(len(tt.b)) {
				t.Errorf("%d bytes for an answer of %d", taken, len(tt.b))
			}
		})
	}
}
