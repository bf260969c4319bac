package problem_test

import (
	"errors"
	"testing"

	"lapgate/recipe/problem"
)

func TestList(t *testing.T) {
	var l problem.List
	l.Flag("width", "60", nil)
	l.Add(nil)
	if err := l.Err(); err != nil || problem.OfFlag("width", "60", nil) != nil {
		t.Errorf("nothing is wrong, and %v", err)
	}
	l.Flag("width", "60", errors.New("bare number"))
	if got, want := l.Err().Error(), "--width: bare number\n    --width \"60\"\n             ^\n1 problem"; got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	l.Add(errors.New("no slot"))
	if got, want := l.Err().Error(), "--width: bare number\n    --width \"60\"\n             ^\nno slot\n2 problems"; got != want || l.Len() != 2 {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestPointed(t *testing.T) {
	if got := problem.Pointed("wrong", "", 3); got != "wrong" {
		t.Errorf("without a text: %q", got)
	}
}
