package recipe

import (
	"fmt"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
)

// GradeCode is the code of a grade that is given by its name or its code, 0
// for an empty text. Whether a code is configured is for the checks to say; a
// name must be.
func (m *Materials) GradeCode(text string) (int, error) {
	return codeOf(text, len(m.Grades), func(i int) (string, int) { return m.Grades[i].Name, m.Grades[i].Code })
}

// CoreCode is the code of a core that is given by its name or its code; see
// GradeCode.
func (m *Materials) CoreCode(text string) (int, error) {
	return codeOf(text, len(m.Cores), func(i int) (string, int) { return m.Cores[i].Name, m.Cores[i].Code })
}

// codeOf finds the code that a text means among n names.
func codeOf(text string, n int, at func(int) (name string, code int)) (int, error) {
	if text == "" {
		return 0, nil
	}
	names, known := make([]string, n), make([]string, n)
	for i := range n {
		name, code := at(i)
		if name == text {
			return code, nil
		}
		names[i], known[i] = name, fmt.Sprintf("%d (%s)", code, name)
	}
	if code, err := strconv.ParseUint(text, 10, 16); err == nil {
		return int(code), nil
	}
	return 0, fmt.Errorf("%s; a code or a name is wanted: %s", notKnown(text, names), strings.Join(known, ", "))
}

// notKnown says that a text is none of the names, and which was meant.
func notKnown(text string, names []string) string {
	near := quantity.Nearest(text, names)
	if near != "" {
		near = " (did you mean " + near + "?)"
	}
	if r := []rune(text); len(r) > 60 {
		text = string(r[:60]) + "…"
	}
	return strconv.Quote(text) + " is not known" + near
}
