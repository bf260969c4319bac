package record

import (
	"bytes"
	"encoding"
	"encoding/json"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Most of the work of looking back at a journal is reading JSON, and that JSON stands as
// Marshal wrote it: without spaces, the keys in the order of the members and each at most
// once. Such a text is read here, without looking keys up and at a fifth of the cost. This
// reader judges nothing: of a text in any other form it says that it is not as written, and
// encoding/json reads the whole, or finds what is wrong with it.

// writtenText is a text that is being read, as far as at.
type writtenText struct {
	text  []byte
	at    int
	depth int // of structures that are being read
}

// deepest bounds structures within each other; encoding/json has a bound of its own.
const deepest = 64

// reader reads the next value of a text. It reports whether the value stands as Marshal
// writes it; to has part of it where it does not.
type reader func(t *writtenText, to reflect.Value) bool

// form is how the records of one kind are read.
type form struct {
	of      reflect.Type
	written reader // nil where a member is left to encoding/json
}

// forms has that of each kind.
var forms = func() map[Kind]form {
	out, known := map[Kind]form{}, map[reflect.Type]*reader{}
	for _, r := range kinds {
		of := reflect.TypeOf(r)
		out[r.Kind()] = form{of, readerOf(of, known)}
	}
	return out
}()

// readWritten reads a record that stands as Marshal writes it. to is empty before, and has
// part of the record where that is not so.
func (f *form) readWritten(text []byte, to reflect.Value) bool {
	t := writtenText{text: text}
	return f.written != nil && f.written(&t, to) && t.at == len(text)
}

var (
	jsonReader = reflect.TypeFor[json.Unmarshaler]()
	textReader = reflect.TypeFor[encoding.TextUnmarshaler]()
)

// readerOf is the reader of a type, nil for one that is left to encoding/json. known has those
// of the types that were asked for so far, nil for one that is being made: a type may have
// itself as a member.
func readerOf(of reflect.Type, known map[reflect.Type]*reader) reader {
	if r, ok := known[of]; ok && r != nil {
		return *r
	} else if ok {
		return func(t *writtenText, to reflect.Value) bool {
			r := *known[of]
			return r != nil && r(t, to)
		}
	}
	known[of] = nil
	r := newReader(of, known)
	known[of] = &r
	return r
}

func newReader(of reflect.Type, known map[reflect.Type]*reader) reader {
	switch pointer := reflect.PointerTo(of); {
	case pointer.Implements(jsonReader):
		return ownJSON
	case pointer.Implements(textReader):
		return ownText
	}
	switch of.Kind() {
	case reflect.Bool:
		return readBool
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return readInt
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return readUint
	case reflect.Float64:
		return readFloat
	case reflect.String:
		return readString
	case reflect.Struct:
		return structReader(of, known)
	case reflect.Pointer, reflect.Slice, reflect.Array:
		return readerOfMany(of, known)
	}
	return nil
}

// readerOfMany is the reader of a type that has values of another.
func readerOfMany(of reflect.Type, known map[reflect.Type]*reader) reader {
	one := readerOf(of.Elem(), known)
	switch {
	case one == nil:
		return nil
	case of.Kind() == reflect.Pointer:
		return func(t *writtenText, to reflect.Value) bool {
			if t.has("null") {
				return true
			}
			v := reflect.New(of.Elem())
			to.Set(v)
			return one(t, v.Elem())
		}
	case of.Kind() == reflect.Array:
		return func(t *writtenText, to reflect.Value) bool {
			ok := t.has("[")
			for i := 0; ok && i < of.Len(); i++ {
				ok = (i == 0 || t.has(",")) && one(t, to.Index(i))
			}
			return ok && t.has("]")
		}
	case of.Elem().Kind() == reflect.Uint8:
		return nil // in base64
	}
	return sliceReader(of, one)
}

// sliceReader reads a list; an empty one is not nil.
func sliceReader(of reflect.Type, one reader) reader {
	words := of == reflect.TypeFor[[]uint16]()
	return func(t *writtenText, to reflect.Value) bool {
		switch {
		case t.has("null"):
			return true
		case t.has("[]"):
			to.Set(reflect.MakeSlice(of, 0, 0))
			return true
		case !t.has("["):
			return false
		case words:
			return readWords(t, to)
		}
		for n := 0; ; n++ {
			to.Grow(1)
			to.SetLen(n + 1)
			if !one(t, to.Index(n)) {
				return false
			}
			if !t.has(",") {
				return t.has("]")
			}
		}
	}
}

// readWords reads the registers of a block behind its bracket: there are many of them.
func readWords(t *writtenText, to reflect.Value) bool {
	end := bytes.IndexByte(t.text[t.at:], ']')
	if end < 0 {
		return false
	}
	words := make([]uint16, 0, bytes.Count(t.text[t.at:t.at+end], []byte{','})+1)
	for {
		n, ok := t.digits()
		if !ok || n > 0xFFFF {
			return false
		}
		words = append(words, uint16(n))
		if !t.has(",") {
			to.Set(reflect.ValueOf(words))
			return t.has("]")
		}
	}
}

// member is a member of a structure.
type member struct {
	key   string // with the quotes and the colon
	index []int
	read  reader
}

// structReader reads the members that are there, in their order; nil for a structure that
// only encoding/json reads.
func structReader(of reflect.Type, known map[reflect.Type]*reader) reader {
	members, ok := membersOf(of, nil, known)
	if !ok {
		return nil
	}
	return func(t *writtenText, to reflect.Value) bool {
		if t.depth++; t.depth > deepest || !t.has("{") {
			return false
		}
		if t.has("}") {
			t.depth--
			return true
		}
		next := 0
		for {
			for next < len(members) && !t.has(members[next].key) {
				next++ // it was left out
			}
			if next == len(members) {
				return false
			}
			m := &members[next]
			if !m.read(t, to.FieldByIndex(m.index)) {
				return false
			}
			next++
			if !t.has(",") {
				t.depth--
				return t.has("}")
			}
		}
	}
}

// membersOf are the members of a structure as encoding/json has them, those of an embedded one
// in its place. ok is false where one is not to be read here.
func membersOf(of reflect.Type, at []int, known map[reflect.Type]*reader) (out []member, ok bool) {
	for i := range of.NumField() {
		f := of.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		index := append(slices.Clone(at), i)
		switch {
		case f.Tag.Get("json") == "-" || !f.IsExported() && !f.Anonymous:
			continue
		case f.Anonymous && name == "" && f.Type.Kind() == reflect.Struct:
			inner, ok := membersOf(f.Type, index, known)
			if !ok {
				return nil, false
			}
			out = append(out, inner...)
			continue
		case f.Anonymous || slices.Contains(strings.Split(options, ","), "string"):
			return nil, false
		case name == "":
			name = f.Name
		}
		read := readerOf(f.Type, known)
		if read == nil {
			return nil, false
		}
		out = append(out, member{strconv.Quote(name) + ":", index, read})
	}
	for i, m := range out {
		if slices.ContainsFunc(out[:i], func(o member) bool { return o.key == m.key }) {
			return nil, false
		}
	}
	return out, true
}

// has takes a piece of the text where it comes next.
func (t *writtenText) has(piece string) bool {
	end := t.at + len(piece)
	if end > len(t.text) || string(t.text[t.at:end]) != piece {
		return false
	}
	t.at = end
	return true
}

func readBool(t *writtenText, to reflect.Value) bool {
	if t.has("true") {
		to.SetBool(true)
		return true
	}
	return t.has("false")
}

// digits takes a whole number without a sign, of up to 19 digits.
func (t *writtenText) digits() (n uint64, ok bool) {
	from := t.at
	for t.at < len(t.text) && t.text[t.at]-'0' <= 9 {
		n = n*10 + uint64(t.text[t.at]-'0')
		t.at++
	}
	size := t.at - from
	return n, size == 1 || size > 1 && size < 20 && t.text[from] != '0'
}

func readUint(t *writtenText, to reflect.Value) bool {
	n, ok := t.digits()
	if !ok || to.OverflowUint(n) {
		return false
	}
	to.SetUint(n)
	return true
}

func readInt(t *writtenText, to reflect.Value) bool {
	negative := t.has("-")
	n, ok := t.digits()
	v := int64(n)
	if negative {
		v = -v
	}
	if !ok || n > 1<<62 || to.OverflowInt(v) {
		return false
	}
	to.SetInt(v)
	return true
}

func readFloat(t *writtenText, to reflect.Value) bool {
	from := t.at
	_ = t.has("-")
	_, ok := t.digits()
	if ok && t.has(".") {
		ok = t.someDigits()
	}
	if ok && t.has("e") {
		_ = t.has("-") || t.has("+")
		ok = t.someDigits()
	}
	if !ok {
		return false
	}
	v, err := strconv.ParseFloat(string(t.text[from:t.at]), 64)
	if err != nil {
		return false
	}
	to.SetFloat(v)
	return true
}

// someDigits takes digits behind a point or an exponent, at least one.
func (t *writtenText) someDigits() bool {
	from := t.at
	for t.at < len(t.text) && t.text[t.at]-'0' <= 9 {
		t.at++
	}
	return t.at > from
}

// quoted takes a text in quotes. It is plain where what is between them is the text itself.
func (t *writtenText) quoted() (literal []byte, plain, ok bool) {
	if t.at == len(t.text) || t.text[t.at] != '"' {
		return nil, false, false
	}
	plain, wide := true, false
	for i := t.at + 1; i < len(t.text); i++ {
		switch c := t.text[i]; {
		case c == '"':
			literal, t.at = t.text[t.at:i+1], i+1
			return literal, plain && (!wide || utf8.Valid(literal)), true
		case c == '\\':
			plain = false
			i++
		case c < ' ':
			return nil, false, false
		case c >= utf8.RuneSelf:
			wide = true
		}
	}
	return nil, false, false
}

func readString(t *writtenText, to reflect.Value) bool {
	literal, plain, ok := t.quoted()
	switch {
	case !ok:
		return false
	case plain:
		to.SetString(string(literal[1 : len(literal)-1]))
		return true
	}
	return left(literal, to)
}

// left leaves a value to encoding/json.
func left(value []byte, to reflect.Value) bool {
	return json.Unmarshal(value, to.Addr().Interface()) == nil
}

// ownText reads a value whose type reads texts by itself.
func ownText(t *writtenText, to reflect.Value) bool {
	literal, _, ok := t.quoted()
	return ok && left(literal, to)
}

// ownJSON reads a value whose type reads JSON by itself.
func ownJSON(t *writtenText, to reflect.Value) bool {
	from := t.at
	_, plain, ok := t.quoted()
	if !ok && !t.pass() {
		return false
	}
	value := t.text[from:t.at]
	own, is := to.Addr().Interface().(json.Unmarshaler)
	return is && (plain || json.Valid(value)) && own.UnmarshalJSON(value) == nil
}

// pass passes over a value that is no text in quotes. Whether all of it is JSON is found by
// whoever reads it.
func (t *writtenText) pass() bool {
	open := 0
	for t.at < len(t.text) {
		switch t.text[t.at] {
		case '"':
			if _, _, ok := t.quoted(); !ok {
				return false
			}
			continue
		case '{', '[':
			open++
		case '}', ']':
			if open == 0 {
				return true
			}
			if open--; open == 0 {
				t.at++
				return true
			}
		case ',':
			if open == 0 {
				return true
			}
		}
		t.at++
	}
	return false
}
