package channel

import (
	"bytes"
	"crypto/rsa"
	"crypto/x509"
	"errors"
	"fmt"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uapolicy"
)

// cover is how the chunks of a kind are protected, in both directions.
type cover struct {
	algorithm     *uapolicy.EncryptionAlgorithm
	sign, encrypt bool
	inBlock       int  // bytes of a block of cipher text that is received
	longOut       bool // padding sent has a second byte of length
	longIn        bool
}

// shortKey is the longest key, in bytes, with which one byte tells the length
// of the padding; OPC 10000-6 section 6.7.2.5.
const shortKey = 256

// prepare makes the cover of the messages that agree on keys.
func (c *Channel) prepare() error {
	a, public, err := algorithm(c.conf.Policy, c.conf.Key, c.conf.Server)
	if err != nil {
		return err
	}
	c.opening = cover{algorithm: a}
	if public != nil {
		own := c.conf.Key.Size()
		c.opening = cover{algorithm: a, sign: true, encrypt: true,
			inBlock: own, longOut: public.Size() > shortKey, longIn: own > shortKey}
		c.ours, c.its = uapolicy.Thumbprint(c.conf.Certificate), uapolicy.Thumbprint(c.conf.Server)
	}
	return nil
}

// Algorithm is what a policy calculates with, between a key of ours and the
// key of a certificate that was checked.
func Algorithm(policy string, key *rsa.PrivateKey, certificate []byte) (*uapolicy.EncryptionAlgorithm, error) {
	a, _, err := algorithm(policy, key, certificate)
	return a, err
}

func publicKey(certificate []byte) (*rsa.PublicKey, error) {
	parsed, err := x509.ParseCertificate(certificate)
	if err != nil {
		return nil, fmt.Errorf("certificate of the server: %w", err)
	}
	public, ok := parsed.PublicKey.(*rsa.PublicKey)
	if !ok {
		return nil, errors.New("certificate of the server has no RSA key, which OPC UA needs")
	}
	return public, nil
}

// agree has the server issue or renew the keys.
func (c *Channel) agree(kind ua.SecurityTokenRequestType) error {
	var nonce []byte
	if c.opening.sign {
		var err error
		if nonce, err = c.opening.algorithm.MakeNonce(); err != nil {
			return err
		}
	}
	asked := time.Now()
	answer, err := c.ask(opening, &ua.OpenSecureChannelRequest{
		RequestType: kind, SecurityMode: c.conf.Mode, ClientNonce: nonce,
		RequestedLifetime: uint32(c.conf.Lifetime.Milliseconds()),
	})
	if err != nil {
		return err
	}
	opened, ok := answer.(*ua.OpenSecureChannelResponse)
	if !ok || opened.SecurityToken == nil {
		return fmt.Errorf("answer is a %T, want keys", answer)
	}
	token := opened.SecurityToken
	if token.ChannelID != c.id {
		return fmt.Errorf("server gives keys for channel %d on channel %d", token.ChannelID, c.id)
	}
	if got, want := len(opened.ServerNonce), c.opening.algorithm.NonceLength(); c.opening.sign && got != want {
		return fmt.Errorf("server gives a nonce of %d bytes, want %d", got, want)
	}
	if c.opening.sign && bytes.Equal(opened.ServerNonce, nonce) {
		return errors.New("server gives our own nonce back")
	}
	symmetric, err := uapolicy.Symmetric(c.conf.Policy, nonce, opened.ServerNonce)
	if err != nil {
		return err
	}
	c.token = token.TokenID
	c.traffic = cover{algorithm: symmetric, inBlock: symmetric.BlockSize(),
		sign:    c.conf.Mode != ua.MessageSecurityModeNone,
		encrypt: c.conf.Mode == ua.MessageSecurityModeSignAndEncrypt}
	c.renewAt = asked.Add(c.lifetime(token.RevisedLifetime) * 3 / 4) // as section 6.7.4 advises
	return nil
}

// lifetime is how long the keys last: what the server says in milliseconds, and
// what was asked for when it says nothing, or more.
func (c *Channel) lifetime(revised uint32) time.Duration {
	if d := time.Duration(revised) * time.Millisecond; d > 0 && d < c.conf.Lifetime {
		return d
	}
	return c.conf.Lifetime
}

// send seals a message, in as many chunks as the server's buffer asks for, and
// sends it. Too long a message for the server is a *Fault: nothing was sent.
func (c *Channel) send(kind string, body []byte) error {
	cov := &c.traffic
	if kind == opening {
		cov = &c.opening
	}
	room := c.room(kind, cov)
	chunks := max(1, (len(body)+room-1)/room)
	if kind == opening && chunks > 1 ||
		c.peer.message > 0 && uint64(len(body)) > uint64(c.peer.message) || c.peer.chunks > 0 && uint64(chunks) > uint64(c.peer.chunks) {
		return &Fault{ua.StatusBadRequestTooLarge}
	}
	c.out = c.out[:0]
	for len(body) > room {
		if err := c.seal(kind, middle, cov, body[:room]); err != nil {
			return err
		}
		body = body[room:]
	}
	if err := c.seal(kind, final, cov, body); err != nil {
		return err
	}
	_, err := c.conn.Write(c.out)
	return err
}

// lead appends the beginning of a chunk, up to where it is encrypted.
func (c *Channel) lead(out []byte, kind string, part byte) []byte {
	out = le.AppendUint32(header(out, kind, part), c.id)
	if kind != opening {
		return le.AppendUint32(out, c.token)
	}
	out = append(le.AppendUint32(out, uint32(len(c.conf.Policy))), c.conf.Policy...)
	if !c.opening.sign {
		return le.AppendUint32(le.AppendUint32(out, absent), absent)
	}
	out = append(le.AppendUint32(out, uint32(len(c.conf.Certificate))), c.conf.Certificate...)
	return append(le.AppendUint32(out, uint32(len(c.its))), c.its...)
}

// room is how much of a body one chunk takes.
func (c *Channel) room(kind string, cov *cover) int {
	n := c.peer.chunk - len(c.lead(c.out[:0], kind, final))
	if cov.encrypt {
		a := cov.algorithm
		n = n/a.BlockSize()*a.PlaintextBlockSize() - cov.paddingBytes()
	}
	if cov.sign {
		n -= cov.algorithm.SignatureLength()
	}
	return n - sequenceHeader
}

// paddingBytes tell the length of the padding sent.
func (v *cover) paddingBytes() int {
	if v.longOut {
		return 2
	}
	return 1
}

// seal appends one chunk to what is sent: padded, signed, then encrypted.
func (c *Channel) seal(kind string, part byte, cov *cover, body []byte) error {
	start := len(c.out)
	c.out = c.lead(c.out, kind, part)
	head := len(c.out)
	c.sent = following(c.sent)
	c.out = le.AppendUint32(le.AppendUint32(c.out, c.sent), c.request)
	c.out = append(c.out, body...)
	a, signature := cov.algorithm, 0
	if cov.sign {
		signature = a.SignatureLength()
	}
	size := len(c.out) - start + signature
	if cov.encrypt {
		block := a.PlaintextBlockSize()
		bare := len(c.out) - head + cov.paddingBytes() + signature
		padding := (block - bare%block) % block
		c.out = append(c.out, byte(padding))
		c.out = append(c.out, bytes.Repeat([]byte{byte(padding)}, padding)...)
		if cov.longOut {
			c.out = append(c.out, byte(padding>>8))
		}
		size = head - start + (bare+padding)/block*a.BlockSize()
	}
	le.PutUint32(c.out[start+4:], uint32(size))
	if cov.sign {
		s, err := a.Signature(c.out[start:])
		if err != nil {
			return fmt.Errorf("%w: signing: %w", ErrUnsent, err)
		}
		c.out = append(c.out, s...)
	}
	if cov.encrypt {
		secret, err := a.Encrypt(c.out[head:])
		if err != nil {
			return fmt.Errorf("%w: encrypting: %w", ErrUnsent, err)
		}
		c.out = append(c.out[:head], secret...)
	}
	if len(c.out)-start != size {
		return fmt.Errorf("%w: a chunk has %d bytes, want %d", ErrUnsent, len(c.out)-start, size)
	}
	return nil
}

// receive gathers the chunks of the answer to the last request. What it returns
// is the caller's own: it does not change with the next frame.
func (c *Channel) receive(kind string) ([]byte, error) {
	var whole []byte
	for range maxChunks {
		in, err := c.frame()
		if err != nil {
			return nil, err
		}
		cov := &c.traffic
		var head int
		if kind == opening {
			cov = &c.opening
			head, err = c.checkOpening(in)
		} else {
			head, err = messageHeader, c.checkMessage(in)
		}
		if err != nil {
			return nil, err
		}
		part := in[3]
		body, err := c.unseal(in, head, cov)
		if err != nil {
			return nil, err
		}
		switch {
		case part == abort:
			return nil, complaintOf("the server gave up its answer", body)
		case len(whole) == 0 && cov.encrypt:
			whole = body // a copy already
		default:
			whole = append(whole, body...)
		}
		if part == final {
			return whole, nil
		}
	}
	return nil, fmt.Errorf("answer has more than %d chunks", maxChunks)
}

// checkOpening compares policy and certificates of a frame that agrees on keys
// with what is wanted, before anything of it is decrypted, and returns where
// that begins. The channel's number is the server's to give, once.
func (c *Channel) checkOpening(in []byte) (int, error) {
	if string(in[:3]) != opening || in[3] != final {
		return 0, fmt.Errorf("answer begins with %q, want %s%c", in[:4], opening, final)
	}
	policy, rest, ok1 := field(in[channelHeader:])
	sender, rest, ok2 := field(rest)
	thumb, rest, ok3 := field(rest)
	switch {
	case !ok1 || !ok2 || !ok3:
		return 0, errors.New("answer ends within its security header")
	case string(policy) != c.conf.Policy:
		return 0, fmt.Errorf("the server answers with policy %q, want %q; %w", short(policy), c.conf.Policy, errBetween)
	case !bytes.Equal(sender, c.conf.Server) && !(c.opening.sign && bytes.HasPrefix(sender, c.conf.Server)): // a chain begins with it
		return 0, fmt.Errorf("the server answers with another certificate than the one that was checked; %w", errBetween)
	case !bytes.Equal(thumb, c.ours):
		return 0, errors.New("the server answers for another certificate than ours")
	}
	switch id := le.Uint32(in[frameHeader:]); {
	case id == 0:
		return 0, errors.New("the server gives the channel the number 0")
	case c.id == 0:
		c.id = id
	case c.id != id:
		return 0, fmt.Errorf("answer is for channel %d, want %d", id, c.id)
	}
	return len(in) - len(rest), nil
}

// errBetween is what a changed policy or certificate can mean.
var errBetween = errors.New("somebody may stand between")

func short(b []byte) []byte { return b[:min(len(b), mostReason)] }

// checkMessage looks at what stands before the encrypted part of a chunk.
func (c *Channel) checkMessage(in []byte) error {
	switch part := in[3]; {
	case string(in[:3]) != message || part != middle && part != final && part != abort:
		return fmt.Errorf("answer begins with %q, want %s", in[:4], message)
	case len(in) < messageHeader+sequenceHeader:
		return fmt.Errorf("answer has %d bytes, want %d at least", len(in), messageHeader+sequenceHeader)
	}
	if id, token := le.Uint32(in[8:]), le.Uint32(in[12:]); id != c.id || token != c.token {
		return fmt.Errorf("answer is for channel %d with keys %d, want channel %d with keys %d", id, token, c.id, c.token)
	}
	return nil
}

// unseal decrypts a chunk, checks its signature, then its padding, its place in
// the sequence and the request that it answers, and returns its body. An
// encrypted chunk gives a body of its own, any other a part of the frame.
func (c *Channel) unseal(in []byte, head int, cov *cover) ([]byte, error) {
	content := in[head:]
	if cov.encrypt {
		if len(content) == 0 || len(content)%cov.inBlock != 0 {
			return nil, fmt.Errorf("answer has %d encrypted bytes, want whole blocks of %d", len(content), cov.inBlock)
		}
		plain, err := cov.algorithm.Decrypt(content)
		if err != nil {
			return nil, fmt.Errorf("answer cannot be decrypted: %w", err)
		}
		in = in[:head+copy(content, plain)] // the signature is over both
		content = plain
	}
	if cov.sign {
		n := cov.algorithm.RemoteSignatureLength()
		if len(content) < sequenceHeader+n {
			return nil, errors.New("answer ends before its signature")
		}
		signed := len(in) - n
		if err := cov.algorithm.VerifySignature(in[:signed], in[signed:]); err != nil {
			return nil, fmt.Errorf("the signature of an answer is wrong: %w", err)
		}
		content = content[:len(content)-n]
	}
	if cov.encrypt {
		var ok bool
		if content, ok = cov.strip(content); !ok {
			return nil, errors.New("the padding of an answer is wrong")
		}
	}
	if len(content) < sequenceHeader {
		return nil, errors.New("answer ends within its sequence header")
	}
	number, request := le.Uint32(content), le.Uint32(content[4:])
	if !c.follows(number) {
		return nil, fmt.Errorf("chunk %d comes after chunk %d", number, c.received)
	}
	c.received, c.heard = number, true
	if request != c.request {
		return nil, fmt.Errorf("answer is for request %d, want %d", request, c.request)
	}
	return content[sequenceHeader:], nil
}

// strip takes the padding off: its length, so many bytes that repeat it, and
// the second byte of a length that needs two.
func (v *cover) strip(content []byte) ([]byte, bool) {
	tail := 1
	if v.longIn {
		tail = 2
	}
	if len(content) < tail {
		return nil, false
	}
	low := content[len(content)-tail]
	n := int(low)
	if v.longIn {
		n |= int(content[len(content)-1]) << 8
	}
	start := len(content) - tail - n
	if start < 0 {
		return nil, false
	}
	for _, b := range content[start : len(content)-tail] {
		if b != low {
			return nil, false
		}
	}
	return content[:start], true
}

// lastSequence is the highest number after which chunks may be counted from
// the beginning, and firstSequences are below which they then begin; OPC
// 10000-6 section 6.7.2.4.
const (
	lastSequence   = 1<<32 - 1 - 1024
	firstSequences = 1024
)

func following(n uint32) uint32 {
	if n >= lastSequence {
		return 1
	}
	return n + 1
}

// follows tells whether a chunk of the server comes next: each is one more than
// the one before.
func (c *Channel) follows(n uint32) bool {
	return !c.heard || n == c.received+1 || c.received >= lastSequence && n < firstSequences
}
