package journal

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/record"
)

// Hash is a link of the chain.
type Hash [sha256.Size]byte

// String is the hash in hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText writes the hash in hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (h *Hash) UnmarshalText(b []byte) error {
	if hex.DecodedLen(len(b)) != len(h) {
		return fmt.Errorf("hash %q has %d characters, want %d in hexadecimal", b, len(b), hex.EncodedLen(len(h)))
	}
	if _, err := hex.Decode(h[:], b); err != nil {
		return fmt.Errorf("hash %q: %w; want %d characters in hexadecimal", b, err, hex.EncodedLen(len(h)))
	}
	return nil
}

// Head is the end of the chain: the number of the newest record and its hash.
// It is zero for an empty journal. Kept elsewhere, it proves later that
// nothing up to it was changed or cut off.
type Head struct {
	Seq  uint64 `json:"seq"`
	Hash Hash   `json:"hash"`
}

// String is the head as ParseHead reads it: the number, a colon and the hash.
func (h Head) String() string { return fmt.Sprintf("%d:%s", h.Seq, h.Hash) }

// ParseHead reads a head as its String writes it.
func ParseHead(s string) (Head, error) {
	seq, hash, ok := strings.Cut(strings.TrimSpace(s), ":")
	if !ok {
		return Head{}, fmt.Errorf("head %q: want the number of a record, a colon and its hash", s)
	}
	var h Head
	var err error
	if h.Seq, err = strconv.ParseUint(seq, 10, 63); err != nil {
		return Head{}, fmt.Errorf("head %q: %q is not the number of a record", s, seq)
	}
	if err := h.Hash.UnmarshalText([]byte(hash)); err != nil {
		return Head{}, fmt.Errorf("head %q: %w", s, err)
	}
	return h, nil
}

// Entry is a record with its links.
type Entry struct {
	record.Stored
	Body json.RawMessage // as stored
	Prev Hash
	Hash Hash
}

// hashOf is the hash of a record; see the package comment.
func hashOf(prev Hash, seq uint64, at int64, kind string, body []byte) (h Hash) {
	b := make([]byte, 0, 128) // the body is long, and is not copied behind what stands before it
	b = append(b, prev[:]...)
	b = binary.BigEndian.AppendUint64(b, seq)
	b = binary.BigEndian.AppendUint64(b, uint64(at))
	b = binary.BigEndian.AppendUint32(b, uint32(len(kind)))
	b = append(b, kind...)
	b = binary.BigEndian.AppendUint32(b, uint32(len(body)))
	d := sha256.New()
	d.Write(b)
	d.Write(body)
	d.Sum(h[:0])
	return h
}

// encode returns the body of a record, and the record as it is read back from
// there: one that cannot be read back must not be stored.
func encode(r record.Record) ([]byte, record.Record, error) {
	body, err := record.Marshal(r)
	if err != nil {
		return nil, nil, err
	}
	back, err := record.Unmarshal(r.Kind(), body)
	return body, back, err
}

// row is a record as it stands in the file, before anything of it is proved.
type row struct {
	seq        int64
	at         any
	kind       any
	roll       any
	body       any
	prev, hash any
}

const columns = `seq, at, kind, roll_no, body, prev_hash, hash`

func (r *row) dest() []any {
	return []any{&r.seq, &r.at, &r.kind, &r.roll, &r.body, &r.prev, &r.hash}
}

func asText(v any) (string, bool) {
	switch v := v.(type) {
	case string:
		return v, true
	case []byte:
		return string(v), true
	}
	return "", false
}

func asHash(v any) (h Hash, ok bool) {
	s, ok := asText(v)
	if !ok || len(s) != len(h) {
		return h, false
	}
	copy(h[:], s)
	return h, true
}

// entry reads the row and proves its hash. The links are filled in as far as
// they can be read also where there is an error.
func (r *row) entry() (Entry, error) {
	var e Entry
	e.Seq = uint64(r.seq)
	var okPrev, okHash bool
	e.Prev, okPrev = asHash(r.prev)
	e.Hash, okHash = asHash(r.hash)
	at, okAt := r.at.(int64)
	kind, okKind := asText(r.kind)
	body, okBody := asText(r.body)
	roll, okRoll := r.roll.(int64)
	for _, c := range []struct {
		name string
		ok   bool
	}{{"at", okAt}, {"kind", okKind}, {"roll_no", okRoll}, {"body", okBody}, {"prev_hash", okPrev}, {"hash", okHash}} {
		if !c.ok {
			return e, fmt.Errorf("column %s holds a value of the wrong type or length", c.name)
		}
	}
	if err := e.prove(at, kind, body); err != nil {
		return e, err
	}
	if roll != int64(e.Record.RollNo()) {
		return e, fmt.Errorf("column roll_no is %d, the body says roll %d", roll, e.Record.RollNo())
	}
	return e, nil
}

// Prove reads a record that was kept elsewhere, with its links, and proves it by its
// hash. at is its time in microseconds since 1970 UTC. The links stand in the entry
// also where there is an error.
func Prove(seq uint64, at int64, kind, body string, prev, hash Hash) (Entry, error) {
	e := Entry{Stored: record.Stored{Seq: seq}, Prev: prev, Hash: hash}
	err := e.prove(at, kind, body)
	return e, err
}

// prove fills in what was stored where it gives the hash.
func (e *Entry) prove(at int64, kind, body string) (err error) {
	e.At = time.UnixMicro(at).UTC()
	e.Body = json.RawMessage(body)
	if got := hashOf(e.Prev, e.Seq, at, kind, e.Body); got != e.Hash {
		return fmt.Errorf("its hash is %.16s…, its content gives %.16s…: the record was changed", e.Hash, got)
	}
	if e.Record, err = record.Unmarshal(record.Kind(kind), e.Body); err != nil {
		return fmt.Errorf("its body does not hold: %w", err)
	}
	return nil
}
