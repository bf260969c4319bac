package main

import (
	"bufio"
	"bytes"
	"strings"
	"testing"

	"lapgate/gateway/setup"
)

// A person is asked what no flag answered, and asked again where the answer is none.
func TestInitAsks(t *testing.T) {
	answers := setup.Answers{}
	var typed strings.Builder
	for _, q := range setup.Questions() {
		if q.Name == "units" {
			answers[q.Name] = "inch"
			continue
		}
		if q.Name == "cores" {
			typed.WriteString("1, slim\n\n")
		}
		typed.WriteString(q.Example + "\n")
	}
	var out bytes.Buffer
	p := &program{stderr: &out}
	if err := p.questions(bufio.NewScanner(strings.NewReader(typed.String())), answers); err != nil {
		t.Fatal(err)
	}
	if asked := strings.Count(out.String(), "\n> "); asked != 11 || strings.Contains(out.String(), "Which units") || !strings.Contains(out.String(), `cores: got "1, slim"; want CODE`) {
		t.Errorf("asked %d times:\n%s", asked, out.String())
	}
	text, err := setup.Text(answers)
	if err != nil || !strings.Contains(text, "length: in\n") {
		t.Errorf("%v\n%s", err, text)
	}
	if err := p.questions(bufio.NewScanner(strings.NewReader("inch\n")), setup.Answers{}); err == nil || !strings.Contains(err.Error(), "nothing was written") {
		t.Errorf("answers that end: %v", err)
	}
}
