package record

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
)

// Marshal writes a record as JSON. An error means that it holds a number that
// JSON cannot hold.
func Marshal(r Record) ([]byte, error) {
	if r == nil {
		return nil, fmt.Errorf("write record: there is none")
	}
	b, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("write record %s: %w", r.Kind(), err)
	}
	return b, nil
}

// Unmarshal reads a record that Marshal wrote, equal to the one written. A key
// that the kind does not have, a kind that is not known and anything after the
// record are errors.
func Unmarshal(k Kind, b []byte) (Record, error) {
	f, ok := forms[k]
	if !ok {
		return nil, fmt.Errorf("read record: kind %q is not known; the journal may be of a newer version", k)
	}
	to := reflect.New(f.of)
	if !f.readWritten(b, to.Elem()) {
		var err error
		if to, err = f.readAny(b); err != nil {
			return nil, fmt.Errorf("read record %s: %w", k, err)
		}
	}
	r, ok := to.Elem().Interface().(Record)
	if !ok {
		return nil, fmt.Errorf("read record %s: it is not a record", k)
	}
	return r, nil
}

// readAny reads a record that stands in any form of JSON.
func (f *form) readAny(b []byte) (to reflect.Value, err error) {
	to = reflect.New(f.of)
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(to.Interface()); err != nil {
		return to, err
	}
	if _, err := d.Token(); err != io.EOF {
		return to, errors.New("something stands after it")
	}
	return to, nil
}
