package virtual

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/record"
)

// TestShrunkTrace takes an outcome from the history of a run: the run must be refused
// for that, its plan must shrink to next to nothing, and the trace that is written
// must fail again in the same way.
func TestShrunkTrace(t *testing.T) {
	p := draw(7, 40*time.Minute)
	_, err := live(t, p, record.KindOutcome)
	if err == nil || !strings.Contains(err.Error(), "no order of the offers explains it") {
		t.Fatalf("got %v for a run of which an outcome was lost", err)
	}
	text := explain(t, p, err, record.KindOutcome, 60)
	if !strings.Contains(text, "-virtual-trace ") {
		t.Fatal(text)
	}
	written, err := os.ReadFile(filepath.Join(t.ArtifactDir(), "seed-7.trace"))
	if err != nil {
		t.Fatal(err)
	}
	short, err := parseTrace(written)
	if err != nil {
		t.Fatal(err)
	}
	if len(short.Steps) > 1 || short.Seed != 7 || short.Length >= p.Length {
		t.Errorf("the plan of %d steps was cut down to\n%s", len(p.Steps), written)
	}
	if _, again := live(t, short, record.KindOutcome); again == nil || kindOf(again) != kindOf(fmt.Errorf("%s", text)) {
		t.Errorf("the trace run again: %v\nwant what it was written for: %s", again, text)
	}
	if _, err := live(t, short, ""); err != nil {
		t.Errorf("the same plan without the loss: %v", err)
	}
}

// TestShrink finds the two steps of many that matter, and keeps both.
func TestShrink(t *testing.T) {
	p := draw(3, 9*time.Hour)
	first, second := p.Steps[20], p.Steps[31]
	tries := 0
	short := shrink(p, 200, func(q *plan) bool {
		tries++
		return slices.Contains(q.Steps, first) && slices.Contains(q.Steps, second)
	})
	if !slices.Equal(short.Steps, []step{first, second}) || short.Length >= p.Length || tries > 200 {
		t.Errorf("after %d tries %d steps in %v are left: %+v", tries, len(short.Steps), time.Duration(short.Length), short.Steps)
	}
	if none := shrink(p, 0, func(*plan) bool { return true }); none != p {
		t.Error("without a try the plan is another")
	}
}

func TestTrace(t *testing.T) {
	p := draw(11, 9*time.Hour)
	if len(p.Steps) < 100 {
		t.Fatalf("only %d steps in nine hours", len(p.Steps))
	}
	text, err := p.trace()
	if err != nil {
		t.Fatal(err)
	}
	back, err := parseTrace(text)
	if err != nil || !reflect.DeepEqual(p, back) {
		t.Errorf("the trace is read back as another plan, %v", err)
	}
	if _, err := parseTrace(bytes.Replace(text, []byte(p.Steps[4].What), []byte("nonsense"), 1)); err == nil || !strings.Contains(err.Error(), "nonsense") {
		t.Errorf("got %v, want an error that names the step", err)
	}
}
