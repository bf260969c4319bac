package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
)

// rollsMade is a list of rolls that is made while it is read.
type rollsMade struct {
	rolls, at int
	rest      string
	onLast    func()
}

func (r *rollsMade) Read(p []byte) (int, error) {
	if r.rest == "" {
		if r.at > r.rolls {
			r.onLast()
			return 0, io.EOF
		}
		r.rest = "roll,diameter (in),width (in),grade,core\n"
		if r.at > 0 {
			r.rest = fmt.Sprintf("R-%d,50,62,newsprint,three-inch\n", r.at)
		}
		r.at++
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// Recipes are printed while the list is read, in every form.
func TestRecipesStream(t *testing.T) {
	t.Parallel()
	const rolls = 4000
	for _, form := range []string{"", "--csv", "--json"} {
		var out, errs bytes.Buffer
		before := -1
		in := &rollsMade{rolls: rolls, onLast: func() { before = out.Len() }}
		args := []string{"recipe", "-"}
		if form != "" {
			args = append(args, form)
		}
		if code := run(args, nil, in, &out, &errs); code != exitDone {
			t.Fatalf("%s: code %d, %s", form, code, errs.String())
		}
		if n := strings.Count(out.String(), "R-"); n != rolls {
			t.Errorf("%s: %d rolls printed, want %d", form, n, rolls)
		}
		// The reader reads up to 64 KiB ahead, half of this list.
		if before < out.Len()/3 {
			t.Errorf("%s: %d of %d bytes were printed when the list was read", form, before, out.Len())
		}
	}
}
