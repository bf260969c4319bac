package record

import "reflect"

// ReadWritten reads a record that stands as Marshal writes it, and reports whether it did.
func ReadWritten(k Kind, b []byte) (Record, bool) {
	f := forms[k]
	to := reflect.New(f.of)
	if !f.readWritten(b, to.Elem()) {
		return nil, false
	}
	return to.Elem().Interface().(Record), true
}

// ReadAny reads a record of a known kind by encoding/json alone.
func ReadAny(k Kind, b []byte) (Record, error) {
	f := forms[k]
	to, err := f.readAny(b)
	if err != nil {
		return nil, err
	}
	return to.Elem().Interface().(Record), nil
}
