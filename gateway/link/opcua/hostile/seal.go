package hostile

import (
	"bytes"
	"crypto/rsa"
	"crypto/sha1" // OPC UA names certificates by SHA-1; nothing is proved by it
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uapolicy"
)

// keys secure messages in one way.
type keys struct {
	algorithm     *uapolicy.EncryptionAlgorithm
	sign, encrypt bool
	long          bool // padding to the client has two bytes of length
	longBack      bool
}

func (k *keys) symmetric(policy string, mode ua.MessageSecurityMode, ours, theirs []byte) (err error) {
	k.sign, k.encrypt = mode != ua.MessageSecurityModeNone, mode == ua.MessageSecurityModeSignAndEncrypt
	k.algorithm, err = uapolicy.Symmetric(policy, ours, theirs)
	return err
}

// Chunk is a part of a message before it is secured, and what can be wrong
// with it.
type Chunk struct {
	Kind                              string
	Part                              byte
	Channel, Token, Sequence, Request uint32
	Policy                            string // of an OPN, as Certificate and Thumb
	Certificate, Thumb                []byte
	Body                              []byte
	Padding                           func(padding []byte)       // changes the padding before it is signed
	Signature                         func(signature []byte)     // changes the signature
	Cipher                            func(cipher []byte) []byte // changes what is encrypted
}

// Next is the proper chunk of a body.
func (c *Conn) Next(kind string, part byte, body []byte) Chunk {
	c.Sequence++
	out := Chunk{Kind: kind, Part: part, Channel: c.Channel, Token: c.Token, Sequence: c.Sequence, Request: c.Request, Policy: c.Policy, Body: body}
	if kind == "OPN" && c.asymmetric.sign {
		thumb := sha1.Sum(c.client)
		out.Certificate, out.Thumb = c.server.Certificate, thumb[:]
	}
	return out
}

func text(out, value []byte) []byte {
	if value == nil {
		return le.AppendUint32(out, 0xffffffff)
	}
	return append(le.AppendUint32(out, uint32(len(value))), value...)
}

// Seal secures a chunk with the keys of its kind.
func (c *Conn) Seal(k Chunk) []byte {
	lead := le.AppendUint32(nil, k.Channel)
	by := &c.keys
	if k.Kind == "OPN" {
		by = &c.asymmetric
		lead = text(text(text(lead, []byte(k.Policy)), k.Certificate), k.Thumb)
	} else {
		lead = le.AppendUint32(lead, k.Token)
	}
	plain := append(le.AppendUint32(le.AppendUint32(nil, k.Sequence), k.Request), k.Body...)
	signature := 0
	if by.sign {
		signature = by.algorithm.SignatureLength()
	}
	size := 8 + len(lead) + len(plain) + signature
	if by.encrypt {
		block, lengths := by.algorithm.PlaintextBlockSize(), 1
		if by.long {
			lengths = 2
		}
		n := 0
		for (len(plain)+lengths+n+signature)%block != 0 {
			n++
		}
		padding := bytes.Repeat([]byte{byte(n)}, n+1)
		if by.long {
			padding = append(padding, byte(n>>8))
		}
		if k.Padding != nil {
			k.Padding(padding)
		}
		plain = append(plain, padding...)
		size = 8 + len(lead) + (len(plain)+signature)/block*by.algorithm.BlockSize()
	}
	head := Frame(k.Kind, k.Part, lead)
	le.PutUint32(head[4:], uint32(size))
	if by.sign {
		s, err := by.algorithm.Signature(slices.Concat(head, plain))
		if err != nil {
			panic(err)
		}
		if k.Signature != nil {
			k.Signature(s)
		}
		plain = append(plain, s...)
	}
	if by.encrypt {
		var err error
		if plain, err = by.algorithm.Encrypt(plain); err != nil {
			panic(err)
		}
		if k.Cipher != nil {
			plain = k.Cipher(plain)
			le.PutUint32(head[4:], uint32(len(head)+len(plain)))
		}
	}
	return append(head, plain...)
}

// receive reads one frame of the client and opens it.
func (c *Conn) receive() (kind string, part byte, content []byte, err error) {
	head := make([]byte, 8)
	if _, err := io.ReadFull(c.net, head); err != nil {
		return "", 0, nil, err
	}
	size := le.Uint32(head[4:])
	if size < 8 || size > 1<<16 {
		return "", 0, nil, fmt.Errorf("frame of %d bytes", size)
	}
	rest := make([]byte, size-8)
	if _, err := io.ReadFull(c.net, rest); err != nil {
		return "", 0, nil, err
	}
	kind, part = string(head[:3]), head[3]
	switch kind {
	case "HEL":
		return kind, part, rest, nil
	case "OPN":
		content, err = c.openFrame(head, rest)
	default:
		content, err = c.keys.open(head, rest, 8)
	}
	if err != nil || len(content) < 8 {
		return "", 0, nil, errors.Join(err, fmt.Errorf("frame %s of %d bytes", kind, size))
	}
	number := le.Uint32(content)
	if c.heard && number != c.seen+1 {
		return "", 0, nil, fmt.Errorf("chunk %d after %d", number, c.seen)
	}
	c.seen, c.heard = number, true
	c.Request = le.Uint32(content[4:])
	return kind, part, content[8:], nil
}

// openFrame takes policy and certificate of the client from its first frame.
func (c *Conn) openFrame(head, rest []byte) ([]byte, error) {
	at := 4
	field := func() []byte {
		n := int(int32(le.Uint32(rest[at:])))
		at += 4
		if n <= 0 {
			return nil
		}
		at += n
		return rest[at-n : at]
	}
	c.Policy = string(field())
	c.client = field()
	if thumb := sha1.Sum(c.server.Certificate); !bytes.Equal(field(), thumb[:]) && !strings.HasSuffix(c.Policy, "#None") {
		return nil, errors.New("not for this server")
	}
	if !strings.HasSuffix(c.Policy, "#None") {
		parsed, err := x509.ParseCertificate(c.client)
		if err != nil {
			return nil, err
		}
		public, ok := parsed.PublicKey.(*rsa.PublicKey)
		if !ok {
			return nil, errors.New("no RSA key")
		}
		a, err := uapolicy.Asymmetric(c.Policy, c.server.Key, public)
		if err != nil {
			return nil, err
		}
		c.asymmetric = keys{a, true, true, public.Size() > 256, c.server.Key.Size() > 256}
	}
	return c.asymmetric.open(head, rest, at)
}

// open decrypts what stands from at on, checks its signature and takes the
// padding off.
func (k *keys) open(head, rest []byte, at int) ([]byte, error) {
	plain := rest[at:]
	if k.encrypt {
		var err error
		if plain, err = k.algorithm.Decrypt(plain); err != nil {
			return nil, err
		}
	}
	if !k.sign {
		return plain, nil
	}
	signed := len(plain) - k.algorithm.RemoteSignatureLength()
	if signed < 0 {
		return nil, errors.New("no signature")
	}
	if err := k.algorithm.VerifySignature(slices.Concat(head, rest[:at], plain[:signed]), plain[signed:]); err != nil {
		return nil, err
	}
	plain = plain[:signed]
	if !k.encrypt {
		return plain, nil
	}
	n, lengths := 0, 1
	if k.longBack {
		n, lengths = int(plain[signed-1])<<8, 2
	}
	n += int(plain[signed-lengths])
	if n+lengths > signed {
		return nil, errors.New("padding")
	}
	for _, b := range plain[signed-lengths-n : signed-lengths] {
		if b != byte(n) {
			return nil, errors.New("padding")
		}
	}
	return plain[:signed-lengths-n], nil
}
