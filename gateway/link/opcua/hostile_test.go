package opcua

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"testing"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua/hostile"
)

// vector is one hostile answer.
type vector struct {
	name   string
	steps  []hostile.Step // nil for all that have a body
	secret bool           // makes sense with a policy only
	cipher bool           // makes sense with an encrypted step only
	answer func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte
	// class is what reading and writing conclude; 0 for unknown.
	class link.Class
	fine  bool   // it is no offence
	text  string // in the error, so that the right check refuses it
}

var le = binary.LittleEndian

// Places in the body of an answer: the string table of its header, the
// additional header, and the results of a read.
const (
	atDiagnostic = 20
	atTable      = 21
	atAdditional = 25
	atResults    = 28
)

// instead sends another body, secured as is proper.
func instead(f func(body []byte) []byte) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte { return c.Proper(step, f(body)) }
}

// counted replaces a number in the body.
func counted(at int, n uint32) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return instead(func(b []byte) []byte { le.PutUint32(b[at:], n); return b })
}

// values is a read with these bytes behind the number of its results.
func values(count uint32, parts ...[]byte) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return instead(func(b []byte) []byte {
		out := le.AppendUint32(slices.Clone(b[:atResults]), count)
		return le.AppendUint32(append(out, bytes.Join(parts, nil)...), math.MaxUint32)
	})
}

// nested is a header with so many diagnostics, each within the one before.
func nested(n int) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return instead(func(b []byte) []byte { return append(slices.Clone(b[:atDiagnostic]), bytes.Repeat([]byte{0x40}, n)...) })
}

func words(list ...uint32) (out []byte) {
	for _, n := range list {
		out = le.AppendUint32(out, n)
	}
	return out
}

// argument is a structure that the library knows, with an array of 2³¹−1.
func argument() []byte {
	body := slices.Concat(words(math.MaxUint32), []byte{0, 0}, words(0, math.MaxInt32))
	kind := []byte{1, 0, byte(id.Argument_Encoding_DefaultBinary & 0xff), byte(id.Argument_Encoding_DefaultBinary >> 8), 1}
	return slices.Concat(kind, words(uint32(len(body))), body)
}

const megabyte = 1_000_000

// bodies are hostile in what they say.
func bodies() []vector {
	read := []hostile.Step{hostile.Reading}
	answer := func(r ua.Response) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
		return instead(func([]byte) []byte { return hostile.Encode(r) })
	}
	fault := func(s ua.StatusCode) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
		return answer(&ua.ServiceFault{ResponseHeader: hostile.Header(s)})
	}
	value, array := []byte{ua.DataValueValue}, func(kind byte) byte { return kind | ua.VariantArrayValues }
	return []vector{
		{name: "no body", answer: instead(func([]byte) []byte { return nil })},
		{name: "half a body", answer: instead(func(b []byte) []byte { return b[:len(b)/2] })},
		{name: "a byte short", answer: instead(func(b []byte) []byte { return b[:len(b)-1] })},
		{name: "a byte over", text: "left over", answer: instead(func(b []byte) []byte { return append(b, 0) })},
		{name: "header alone", answer: instead(func(b []byte) []byte { return b[:atResults] })},
		{name: "type alone", answer: instead(func(b []byte) []byte { return b[:4] })},
		{name: "string table of 2³¹−1", text: "malformed", answer: counted(atTable, math.MaxInt32)},
		{name: "string table of −2", answer: counted(atTable, math.MaxUint32-1)},
		{name: "string table of −2³¹", answer: counted(atTable, 1<<31)},
		{name: "nested diagnostics", text: "nested deeper", answer: nested(8000)},
		{name: "a million nested diagnostics", text: "nested deeper", steps: afterOpening(), answer: nested(megabyte)},
		{name: "structure with an array of 2³¹−1 in the header", fine: true, answer: instead(func(b []byte) []byte {
			return slices.Concat(b[:atAdditional], argument(), b[atResults:])
		})},
		{name: "structure of 2³¹−1 bytes", answer: instead(func(b []byte) []byte {
			return slices.Concat(b[:atAdditional], []byte{1, 0, 42, 1, 1}, words(math.MaxInt32), b[atResults:])
		})},
		{name: "request to open a channel", text: "of type i=446", answer: instead(func([]byte) []byte {
			b, err := ua.Encode(&ua.OpenSecureChannelRequest{RequestHeader: &ua.RequestHeader{AuthenticationToken: ua.NewTwoByteNodeID(0)}})
			if err != nil {
				panic(err)
			}
			return append([]byte{1, 0, byte(id.OpenSecureChannelRequest_Encoding_DefaultBinary & 0xff), byte(id.OpenSecureChannelRequest_Encoding_DefaultBinary >> 8)}, b...)
		})},
		{name: "answer to a browse", answer: answer(&ua.BrowseResponse{ResponseHeader: hostile.Header(0)})},
		{name: "unknown type", answer: instead(func(b []byte) []byte { b[2], b[3] = 0xff, 0xff; return b })},
		{name: "type by a text of 2³¹−1", answer: instead(func(b []byte) []byte {
			return slices.Concat([]byte{3, 0, 0}, words(math.MaxInt32), b)
		})},
		{name: "refusal that is good", text: "calls that good", answer: fault(ua.StatusOK)},
		{name: "refusal", answer: fault(ua.StatusBadTooManyOperations), class: link.Refused},
		{name: "internal error", answer: fault(ua.StatusBadInternalError)},
		{name: "forgotten session", answer: fault(ua.StatusBadSessionIDInvalid), class: link.Down},
		{name: "2³¹−1 values", steps: read, answer: values(math.MaxInt32)},
		{name: "a million empty values", text: "more small values", steps: read, answer: values(megabyte, make([]byte, megabyte))},
		{name: "nested variants", text: "nested deeper", steps: read, answer: values(1, value, bytes.Repeat([]byte{24}, megabyte))},
		{name: "nested arrays of variants", steps: read, answer: values(1, value, bytes.Repeat([]byte{24 | 0x80, 1, 0, 0, 0}, megabyte/5))},
		{name: "nested values", steps: read, answer: values(1, bytes.Repeat([]byte{ua.DataValueValue, 23}, megabyte/2))},
		{name: "array of −2³¹", text: "an array of", steps: read, answer: values(1, value, []byte{array(5)}, words(1<<31))},
		{name: "array of −2", steps: read, answer: values(1, value, []byte{array(5)}, words(math.MaxUint32-1))},
		{name: "array of 2³¹−1", steps: read, answer: values(1, value, []byte{array(5)}, words(math.MaxInt32))},
		{name: "array of 65536", text: "65535 at most", steps: read, answer: values(1, value, []byte{array(1)}, words(65536), make([]byte, 65536))},
		{name: "array of 60000 variants", text: "more small values", steps: read, answer: values(1, value, []byte{array(24)}, words(60000), make([]byte, 60000))},
		{name: "array of 60000 diagnostics", steps: read, answer: values(1, value, []byte{array(25)}, words(60000), make([]byte, 60000))},
		{name: "array of 60000 localized texts", steps: read, answer: values(1, value, []byte{array(21)}, words(60000), make([]byte, 60000))},
		{name: "dimensions that overflow to 1", text: "dimensions", steps: read, answer: values(1, value,
			[]byte{array(5) | ua.VariantArrayDimensions}, words(1), []byte{0, 0}, words(4, 65537, 65535, 65537, 65535))},
		{name: "negative dimensions", steps: read, answer: values(1, value,
			[]byte{array(5) | ua.VariantArrayDimensions}, words(1), []byte{0, 0}, words(2, math.MaxUint32, math.MaxUint32))},
		{name: "200000 dimensions", text: "dimensions", steps: read, answer: values(1, value,
			[]byte{array(5) | ua.VariantArrayDimensions}, words(1), []byte{0, 0}, words(200000), bytes.Repeat(words(1), 200000))},
		{name: "no dimensions of 2³¹−1", steps: read, answer: values(1, value,
			[]byte{array(5) | ua.VariantArrayDimensions}, words(0, 2, 0, math.MaxInt32))},
		{name: "dimensions without an array", steps: read, answer: values(1, value, []byte{5 | ua.VariantArrayDimensions, 0, 0})},
		{name: "type 31", steps: read, answer: values(1, value, []byte{31, 0, 0})},
		{name: "structure with an array of 2³¹−1", steps: read, answer: values(1, value, []byte{22}, argument())}, // no words of a block
	}
}

// chunk sends one chunk with something wrong about it.
func chunk(change func(*hostile.Chunk)) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte {
		k := c.Next(kindOf(step), 'F', body)
		change(&k)
		return [][]byte{c.Seal(k)}
	}
}

func kindOf(step hostile.Step) string {
	if step == hostile.Opening {
		return "OPN"
	}
	return "MSG"
}

// raw sends bytes as they are.
func raw(b []byte) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return func(*hostile.Conn, hostile.Step, []byte) [][]byte { return [][]byte{b} }
}

// sized is a frame that says a size.
func sized(kind string, size uint32, rest int) []byte {
	return append(le.AppendUint32([]byte(kind+"F"), size), make([]byte, rest)...)
}

// frames are hostile in how they are packed.
func frames() []vector {
	garbage := bytes.Repeat([]byte{0xde, 0xad, 0xbe, 0xef}, 4096)
	return []vector{
		{name: "hang-up", answer: raw(nil)},
		{name: "garbage", answer: raw(garbage)},
		{name: "frame of 0", text: "frame", answer: raw(sized("MSG", 0, 100))},
		{name: "frame of 8", text: "frame", answer: raw(sized("MSG", 8, 100))},
		{name: "frame of 2³²−1", text: "frame", answer: raw(sized("MSG", math.MaxUint32, 100))},
		{name: "frame of 16385", text: "frame", answer: raw(sized("MSG", 16385, 16377))},
		{name: "frame of another kind", answer: raw(sized("XYZ", 100, 92))},
		{name: "greeting again", answer: raw(hostile.Frame("ACK", 'F', make([]byte, 20)))},
		{name: "error without a text", answer: raw(hostile.Frame("ERR", 'F', words(0x80130000)))},
		{name: "error with a text of 2³¹−1", answer: raw(hostile.Frame("ERR", 'F', words(0x80130000, math.MaxInt32)))},
		{name: "error with a text of −2", answer: raw(hostile.Frame("ERR", 'F', words(0x80130000, math.MaxUint32-1)))},
		{name: "cut to 16 bytes", answer: func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte {
			f := c.Proper(step, body)[0][:16]
			le.PutUint32(f[4:], 16)
			return [][]byte{f}
		}},
		{name: "cut to 24 bytes", answer: func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte {
			f := c.Proper(step, body)[0][:24]
			le.PutUint32(f[4:], 24)
			return [][]byte{f}
		}},
		{name: "cut and closed", answer: func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte {
			f := c.Proper(step, body)[0]
			return [][]byte{f[:len(f)-1], nil}
		}},
		{name: "part of another kind", answer: chunk(func(k *hostile.Chunk) { k.Part = 'Z' })},
		{name: "abort", text: "gave up", steps: afterOpening(), answer: chunk(func(k *hostile.Chunk) {
			k.Part, k.Body = 'A', words(uint32(ua.StatusBadResponseTooLarge), math.MaxUint32)
		})},
		{name: "abort without a body", answer: chunk(func(k *hostile.Chunk) { k.Part, k.Body = 'A', nil })},
		{name: "other channel", text: "answer is for channel", answer: chunk(func(k *hostile.Chunk) { k.Channel += 5 }), steps: afterOpening()},
		{name: "channel 0", text: "channel", answer: chunk(func(k *hostile.Chunk) { k.Channel = 0 })},
		{name: "keys of another token", text: "with keys", answer: chunk(func(k *hostile.Chunk) { k.Token++ }), steps: afterOpening()},
		{name: "number again", text: "comes after chunk", answer: chunk(func(k *hostile.Chunk) { k.Sequence-- }), steps: afterOpening()},
		{name: "number ahead", text: "comes after chunk", answer: chunk(func(k *hostile.Chunk) { k.Sequence++ }), steps: afterOpening()},
		{name: "other request", text: "answer is for request", answer: chunk(func(k *hostile.Chunk) { k.Request++ })},
		{name: "flood of empty chunks", text: "more than 64 chunks", answer: flood(70, 0), steps: afterOpening()},
		{name: "chunks of keys", text: "answer begins with", answer: flood(70, 8000), steps: []hostile.Step{hostile.Opening}},
		{name: "endless answer", text: "more than 64 chunks", answer: flood(200, 8000), steps: afterOpening()},
		{name: "signature broken", text: "signature of an answer is wrong", secret: true, answer: chunk(func(k *hostile.Chunk) { k.Signature = func(s []byte) { s[0] ^= 1 } })},
		{name: "signature missing", secret: true, steps: []hostile.Step{hostile.Reading, hostile.Writing}, answer: func(c *hostile.Conn, _ hostile.Step, body []byte) [][]byte {
			lead := words(c.Channel, c.Token, c.Sequence+1, c.Request)
			return [][]byte{hostile.Frame("MSG", 'F', append(lead, body...))}
		}},
		{name: "half a cipher block", text: "whole blocks", secret: true, cipher: true, answer: chunk(func(k *hostile.Chunk) {
			k.Cipher = func(b []byte) []byte { return b[:len(b)-1] }
		})},
		{name: "a cipher block less", secret: true, cipher: true, answer: chunk(func(k *hostile.Chunk) {
			k.Cipher = func(b []byte) []byte { return b[:len(b)-16] }
		})},
		{name: "one cipher block", secret: true, cipher: true, answer: chunk(func(k *hostile.Chunk) {
			k.Cipher = func(b []byte) []byte { return b[:min(16, len(b))] }
		})},
		{name: "nothing encrypted", secret: true, cipher: true, answer: chunk(func(k *hostile.Chunk) {
			k.Cipher = func([]byte) []byte { return nil }
		})},
		{name: "padding longer than all", secret: true, cipher: true, answer: chunk(func(k *hostile.Chunk) {
			k.Body, k.Padding = nil, func(p []byte) {
				for i := range p {
					p[i] = 255
				}
			}
		})},
	}
}

func afterOpening() []hostile.Step {
	return []hostile.Step{hostile.Endpoints, hostile.Session, hostile.Activation, hostile.Reading, hostile.Writing}
}

// flood sends parts that never end.
func flood(n, size int) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
	return func(c *hostile.Conn, step hostile.Step, _ []byte) [][]byte {
		var out [][]byte
		for range n {
			out = append(out, c.Seal(c.Next(kindOf(step), 'C', make([]byte, size))))
		}
		return out
	}
}

// greetings are hostile in the answer to a greeting.
func greetings() []vector {
	ack := func(n ...uint32) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
		return raw(hostile.Frame("ACK", 'F', words(n...)))
	}
	const most = math.MaxUint32
	list := []vector{
		{name: "receives 4", text: "8192 to 16384", answer: ack(0, 4, 8192, 0, 0)},
		{name: "receives 0", answer: ack(0, 0, 8192, 0, 0)},
		{name: "receives 8191", answer: ack(0, 8191, 8192, 0, 0)},
		{name: "receives 2³²−1", text: "8192 to 16384", answer: ack(0, most, 8192, 0, 0)},
		{name: "sends 2³²−1", text: "8192 to 16384", answer: ack(0, 8192, most, 0, 0)},
		{name: "sends 4", answer: ack(0, 8192, 4, 0, 0)},
		{name: "version 1", text: "version 1", answer: ack(1, 8192, 8192, 0, 0)},
		{name: "short", text: "of 28", answer: ack(0, 8192, 8192, 0)},
		{name: "long", text: "of 28", answer: ack(0, 8192, 8192, 0, 0, 0)},
		{name: "in parts", answer: raw(hostile.Frame("ACK", 'C', words(0, 8192, 8192, 0, 0)))},
		{name: "a message", answer: raw(hostile.Frame("MSG", 'F', words(0, 8192, 8192, 0, 0)))},
		{name: "takes messages of a byte", answer: ack(0, 8192, 8192, 1, 0)},
		{name: "sends everything", fine: true, answer: ack(0, 8192, 8192, most, most)},
	}
	for i := range list {
		list[i].steps = []hostile.Step{hostile.Greeting}
	}
	return list
}

// openings are hostile in the answer that gives the keys.
func openings() []vector {
	text := func(s string) []byte { return append(words(uint32(len(s))), s...) }
	change := func(f func(*ua.OpenSecureChannelResponse)) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
		return instead(func(b []byte) []byte {
			_, r, err := ua.DecodeService(b)
			if err != nil {
				panic(err)
			}
			f(r.(*ua.OpenSecureChannelResponse))
			return hostile.Encode(r.(ua.Response))
		})
	}
	nonce := func(n int) func(*hostile.Conn, hostile.Step, []byte) [][]byte {
		return change(func(r *ua.OpenSecureChannelResponse) { r.ServerNonce = make([]byte, n) })
	}
	list := []vector{
		{name: "policy None", text: "answers with policy", secret: true, answer: func(c *hostile.Conn, _ hostile.Step, body []byte) [][]byte {
			lead := slices.Concat(words(c.Channel), text(ua.SecurityPolicyURINone), words(math.MaxUint32, math.MaxUint32), words(1, c.Request))
			return [][]byte{hostile.Frame("OPN", 'F', append(lead, body...))}
		}},
		{name: "another policy", text: "answers with policy", answer: chunk(func(k *hostile.Chunk) { k.Policy = ua.SecurityPolicyURIBasic256 })},
		{name: "policy of 2³¹−1", answer: raw(hostile.Frame("OPN", 'F', words(1, math.MaxInt32, 0)))},
		{name: "no security header", answer: raw(hostile.Frame("OPN", 'F', words(1)))},
		{name: "no sequence header", answer: func(c *hostile.Conn, _ hostile.Step, _ []byte) [][]byte {
			return [][]byte{hostile.Frame("OPN", 'F', slices.Concat(words(1), text(c.Policy), words(math.MaxUint32, math.MaxUint32, 1)))}
		}},
		{name: "no certificate", text: "another certificate", secret: true, answer: chunk(func(k *hostile.Chunk) { k.Certificate = nil })},
		{name: "another certificate", text: "another certificate", secret: true, answer: chunk(func(k *hostile.Chunk) {
			k.Certificate = slices.Clone(k.Certificate)
			k.Certificate[len(k.Certificate)-1] ^= 1
		})},
		{name: "certificate with its chain", secret: true, fine: true, answer: chunk(func(k *hostile.Chunk) {
			k.Certificate = slices.Concat(k.Certificate, k.Certificate)
		})},
		{name: "for another certificate", text: "another certificate than ours", secret: true, answer: chunk(func(k *hostile.Chunk) { k.Thumb = make([]byte, 20) })},
		{name: "certificate without a policy", answer: chunk(func(k *hostile.Chunk) { k.Certificate = []byte{1} })},
		{name: "nonce of 0", text: "want 32", secret: true, answer: nonce(0)},
		{name: "nonce of 31", text: "want 32", secret: true, answer: nonce(31)},
		{name: "nonce of 33", text: "want 32", secret: true, answer: nonce(33)},
		{name: "channel 0 throughout", text: "number 0", answer: func(c *hostile.Conn, step hostile.Step, body []byte) [][]byte {
			frames := change(func(r *ua.OpenSecureChannelResponse) { r.SecurityToken.ChannelID = 0 })
			c.Channel = 0
			return frames(c, step, body)
		}},
		{name: "keys of another channel", text: "gives keys for channel", answer: change(func(r *ua.OpenSecureChannelResponse) { r.SecurityToken.ChannelID++ })},
		{name: "lifetime 0", fine: true, answer: change(func(r *ua.OpenSecureChannelResponse) { r.SecurityToken.RevisedLifetime = 0 })},
		{name: "lifetime 1", fine: true, answer: change(func(r *ua.OpenSecureChannelResponse) { r.SecurityToken.RevisedLifetime = 1 })},
		{name: "lifetime 2³²−1", fine: true, answer: change(func(r *ua.OpenSecureChannelResponse) { r.SecurityToken.RevisedLifetime = math.MaxUint32 })},
	}
	for i := range list {
		list[i].steps = []hostile.Step{hostile.Opening}
	}
	return list
}

// mostTaken bounds what one attempt allocates, peer and proper steps included:
// several times the longest answer, and far from what hostile lengths ask for.
const mostTaken = 24 << 20

// TestHostileAnswers gives every hostile answer at every step in every mode.
func TestHostileAnswers(t *testing.T) {
	tried, most := 0, uint64(0)
	steps := []hostile.Step{hostile.Greeting, hostile.Opening, hostile.Endpoints, hostile.Session, hostile.Activation, hostile.Reading, hostile.Writing}
	for _, sec := range []security{{PolicyNone, ModeNone}, {PolicyAes128Sha256RsaOaep, ModeSign}, best} {
		if testing.Short() && sec.mode == ModeSign {
			continue
		}
		p := newPeer(t, sec, nil)
		for _, step := range steps {
			for _, v := range slices.Concat(greetings(), openings(), bodies(), frames()) {
				if !v.applies(step, sec) {
					continue
				}
				t.Run(fmt.Sprintf("%s/%s/%s", sec, step, v.name), func(t *testing.T) {
					tried++
					most = max(most, v.attempt(t, p, step))
					settled(t)
				})
			}
		}
	}
	t.Logf("%d hostile answers, at most %d kB taken", tried, most>>10)
	if want := 950; tried < want && !testing.Short() {
		t.Errorf("%d answers tried", tried)
	}
}

func (v *vector) applies(step hostile.Step, sec security) bool {
	secured := sec.policy != PolicyNone && step != hostile.Greeting && step != hostile.Endpoints
	encrypted := secured && (sec.mode == ModeSignAndEncrypt || step == hostile.Opening)
	switch {
	case v.secret && !secured, v.cipher && !encrypted:
		return false
	case v.steps != nil:
		return slices.Contains(v.steps, step)
	}
	return step != hostile.Greeting
}

// attempt dials, reads or writes against the answer, and returns the bytes
// allocated.
func (v *vector) attempt(t *testing.T, p *peer, step hostile.Step) uint64 {
	var before, after runtime.MemStats
	answer := func(c *hostile.Conn, body []byte) [][]byte { return v.answer(c, step, body) }
	d := dialer(t, p.s)
	want := link.Down
	try := func() error {
		c, err := d.Dial(bounded(t, patience))
		if err == nil {
			defer c.Close()
		}
		return err
	}
	if step == hostile.Reading || step == hostile.Writing {
		p.honest()
		c, err := d.Dial(bounded(t, patience))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if want = link.Unknown; v.class != 0 {
			want = v.class
		}
		try = func() error {
			if step == hostile.Reading {
				return c.Read(bounded(t, patience), span(handshake.REQ, 0))
			}
			ack := make([]uint16, handshake.AckWords)
			if err := (&handshake.Ack{UpTo: 7}).Encode(ack); err != nil {
				t.Fatal(err)
			}
			return c.Write(bounded(t, patience), handshake.ACK, ack)
		}
	}
	p.spoiled(step, answer)
	runtime.ReadMemStats(&before)
	err := try()
	runtime.ReadMemStats(&after)
	p.honest()
	var e *link.Error
	switch {
	case v.fine && err != nil:
		t.Errorf("got %v, want it taken", err)
	case !v.fine && (!errors.As(err, &e) || e.Class != want || e.Help == "" && want != link.Down):
		t.Errorf("got %v, want class %v with a remedy", err, want)
	}
	if len(mention(err, "the library failed")) == 0 {
		t.Errorf("got so far that something failed: %v", err)
	}
	for _, text := range mention(err, v.text) {
		if !v.fine {
			t.Errorf("got %v, want it to say %q", err, text)
		}
	}
	taken := after.TotalAlloc - before.TotalAlloc
	if taken > mostTaken {
		t.Errorf("%d bytes allocated, want %d at most", taken, mostTaken)
	}
	return taken
}

// TestPeerIsProper holds the server of these tests, while it is not spoiled, to
// the library's own client in every policy and mode, and what both clients read
// to each other.
func TestPeerIsProper(t *testing.T) {
	for _, sec := range securities() {
		t.Run(sec.String(), func(t *testing.T) {
			p := newPeer(t, sec, func(s *hostile.Server) {
				s.Value = func(node *ua.NodeID, a ua.AttributeID) any {
					v := peerValue(node, a)
					if words, ok := v.([]uint16); ok {
						for i := range words {
							words[i] = uint16(i * i)
						}
					}
					return v
				}
			})
			ours := dial(t, p.s)
			s := span(handshake.REQ, 0)
			if err := ours.Read(bounded(t, patience), s); err != nil {
				t.Fatal(err)
			}
			theirs, err := bareClient(t, p.s).Read(bounded(t, patience), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: ours.item(handshake.REQ, 0).NodeID}}})
			if err != nil {
				t.Fatal(err)
			}
			if words, ok := theirs.Results[0].Value.Value().([]uint16); !ok || !slices.Equal(words, s.Dst) || words[9] != 81 {
				t.Errorf("read %v, the library's client %v", s.Dst, words)
			}
		})
	}
}
