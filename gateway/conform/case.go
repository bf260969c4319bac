package conform

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// testCase is one thing that is proved. What it needs it brings about itself, so
// that it can be run alone.
type testCase struct {
	name   string
	rule   string // section of the handshake
	title  string
	recipe bool // it offers a recipe
	prove  func(*trial)
}

// cases are all of them, in the order in which they are run: first what one waiting
// roll is enough for, then what rolls that come and go are needed for, and last what
// the controller has to be started again for.
func cases() []testCase {
	return slices.Concat(sessionCases(), commitCases(), checkCases(), raceCases(), recipeCases(), rollCases(), motionCases(), outcomeCases(), restartCases(), memoryCases())
}

// Case is one case as people read of it.
type Case struct {
	Name   string `json:"case"`
	Rule   string `json:"rule"`
	Title  string `json:"title" label:"what is proved"`
	Recipe bool   `json:"recipe" label:"offers a recipe"`
}

// Cases lists the cases in their order.
func Cases() []Case {
	var out []Case
	for _, c := range cases() {
		out = append(out, Case{c.name, c.rule, c.title, c.recipe})
	}
	return out
}

// UnknownCaseError names cases that do not exist.
type UnknownCaseError struct{ Names []string }

func (e *UnknownCaseError) Error() string {
	quoted := make([]string, len(e.Names))
	for i, name := range e.Names {
		quoted[i] = strconv.Quote(name)
	}
	return fmt.Sprintf("no case is named %s; --list names all", strings.Join(quoted, ", "))
}

// chosen are the cases of some names, all for none.
func chosen(only []string) ([]testCase, error) {
	all := cases()
	if len(only) == 0 {
		return all, nil
	}
	var unknown []string
	for _, name := range only {
		if !slices.ContainsFunc(all, func(c testCase) bool { return c.name == name }) {
			unknown = append(unknown, name)
		}
	}
	if unknown != nil {
		return nil, &UnknownCaseError{unknown}
	}
	return slices.DeleteFunc(all, func(c testCase) bool { return !slices.Contains(only, c.name) }), nil
}

// Listing is everything that a proof may do or ask for.
type Listing struct {
	Cases  []Case  `json:"cases" print:"csv"`
	Acts   []Act   `json:"acts"`
	Sights []Sight `json:"sights"`
}

// Catalogue lists cases, acts and sights.
func Catalogue() Listing { return Listing{Cases(), Acts(), Sights()} }
