package plc

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// interpreter runs the second form of the program: assignments, IF and FOR over BOOL,
// INT, DINT and arrays of them, as IEC 61131-3 has them. A number that its type
// does not hold and an index out of its array end the test: no controller has to
// do the same with them.
type interpreter struct {
	t      *testing.T
	vars   map[string]*slot
	body   []statement
	tokens []string
	at     int
	count  int // statements executed
}

// slot is a variable. A BOOL is 0 or 1.
type slot struct {
	name       string
	typ        string
	first      int64
	values     []int64
	least, top int64
}

type (
	statement  func()
	expression func() int64
)

var (
	declared2 = regexp.MustCompile(`(\w+)(?: AT %\w+(?:\.\d+)?)? : (?:ARRAY \[(\d+)\.\.(\d+)\] OF )?(BOOL|INT|DINT)(?: := (\[[^]]*\]|[^;]+))?;`)
	word      = regexp.MustCompile(`:=|<>|<=|>=|[A-Za-z_]\w*|\d+|[-+*/=<>()\[\];,]`)
)

func newInterpreter(t *testing.T, text string) *interpreter {
	t.Helper()
	text = comment.ReplaceAllString(text, "")
	_, text, ok := strings.Cut(text, "PROGRAM LG_Line\n")
	text, _, closed := strings.Cut(text, "END_PROGRAM")
	end := strings.LastIndex(text, "  END_VAR\n")
	if !ok || !closed || end < 0 {
		t.Fatal("no program LG_Line")
	}
	m := &interpreter{t: t, vars: map[string]*slot{}}
	for _, d := range declared2.FindAllStringSubmatch(text[:end], -1) {
		m.declare(d[1], d[2], d[3], d[4], d[5])
	}
	m.tokens = word.FindAllString(strings.TrimPrefix(text[end:], "  END_VAR\n"), -1)
	m.body = m.statements()
	if m.at != len(m.tokens) {
		t.Fatalf("%v is not understood", m.tokens[m.at:min(m.at+8, len(m.tokens))])
	}
	return m
}

func (m *interpreter) declare(name, first, last, typ, value string) {
	s := &slot{name: name, typ: typ, values: make([]int64, 1), top: 1}
	switch typ {
	case "INT":
		s.least, s.top = -1<<15, 1<<15-1
	case "DINT":
		s.least, s.top = -1<<31, 1<<31-1
	}
	if first != "" {
		from, to := m.integer(first), m.integer(last)
		s.first, s.values = from, make([]int64, to-from+1)
	}
	if value != "" {
		for i, v := range strings.Split(strings.Trim(value, "[]"), ",") {
			switch v = strings.TrimSpace(v); v {
			case "TRUE":
				s.values[i] = 1
			case "FALSE":
			default:
				s.values[i] = m.integer(v)
			}
		}
	}
	m.vars[name] = s
}

func (m *interpreter) integer(text string) int64 {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		m.t.Fatal(err)
	}
	return n
}

func (m *interpreter) scan() {
	m.count = 0
	run(m.body)
}

func run(list []statement) {
	for _, s := range list {
		s()
	}
}

func (m *interpreter) peek() string {
	if m.at < len(m.tokens) {
		return m.tokens[m.at]
	}
	return ""
}

func (m *interpreter) next() string {
	w := m.peek()
	m.at++
	return w
}

func (m *interpreter) want(w string) {
	if got := m.next(); got != w {
		m.t.Fatalf("got %q, want %q before %v", got, w, m.tokens[m.at:min(m.at+8, len(m.tokens))])
	}
}

func (m *interpreter) statements() []statement {
	var out []statement
	for {
		switch m.peek() {
		case "", "END_IF", "END_FOR", "ELSE", "ELSIF":
			return out
		case "IF":
			out = append(out, m.ifStatement())
		case "FOR":
			out = append(out, m.forStatement())
		default:
			out = append(out, m.assignment())
		}
	}
}

func (m *interpreter) assignment() statement {
	s, index := m.variable(m.next())
	m.want(":=")
	value := m.or()
	m.want(";")
	return func() {
		m.count++
		m.set(s, index(), value())
	}
}

func (m *interpreter) set(s *slot, index, v int64) {
	if v < s.least || v > s.top {
		m.t.Fatalf("%s[%d] := %d, which %s does not hold", s.name, index, v, s.typ)
	}
	s.values[m.within(s, index)] = v
}

func (m *interpreter) within(s *slot, index int64) int64 {
	if i := index - s.first; i >= 0 && i < int64(len(s.values)) {
		return i
	}
	m.t.Fatalf("%s has no element %d", s.name, index)
	return 0
}

func (m *interpreter) variable(name string) (*slot, expression) {
	s := m.vars[name]
	if s == nil {
		m.t.Fatalf("%s is not declared", name)
	}
	if m.peek() != "[" {
		return s, func() int64 { return s.first }
	}
	m.next()
	index := m.or()
	m.want("]")
	return s, index
}

func (m *interpreter) ifStatement() statement {
	type branch struct {
		when expression
		then []statement
	}
	var branches []branch
	for m.peek() == "IF" || m.peek() == "ELSIF" {
		m.next()
		when := m.or()
		m.want("THEN")
		branches = append(branches, branch{when, m.statements()})
	}
	if m.peek() == "ELSE" {
		m.next()
		branches = append(branches, branch{func() int64 { return 1 }, m.statements()})
	}
	m.want("END_IF")
	m.want(";")
	return func() {
		for _, b := range branches {
			m.count++
			if b.when() != 0 {
				run(b.then)
				return
			}
		}
	}
}

func (m *interpreter) forStatement() statement {
	m.next()
	s, index := m.variable(m.next())
	m.want(":=")
	from := m.or()
	m.want("TO")
	to := m.or()
	m.want("DO")
	body := m.statements()
	m.want("END_FOR")
	m.want(";")
	return func() {
		for v, last := from(), to(); v <= last; v++ {
			m.count++
			m.set(s, index(), v)
			run(body)
		}
	}
}

// Expressions, loosest first.

func (m *interpreter) or() expression {
	left := m.and()
	for m.peek() == "OR" {
		m.next()
		a, b := left, m.and()
		left = func() int64 { return a() | b() }
	}
	return left
}

func (m *interpreter) and() expression {
	left := m.comparison()
	for m.peek() == "AND" {
		m.next()
		a, b := left, m.comparison()
		left = func() int64 { return a() & b() }
	}
	return left
}

var comparisons = map[string]func(x, y int64) bool{
	"=":  func(x, y int64) bool { return x == y },
	"<>": func(x, y int64) bool { return x != y },
	"<":  func(x, y int64) bool { return x < y },
	">":  func(x, y int64) bool { return x > y },
	"<=": func(x, y int64) bool { return x <= y },
	">=": func(x, y int64) bool { return x >= y },
}

func (m *interpreter) comparison() expression {
	left := m.sum()
	for comparisons[m.peek()] != nil {
		op := m.next()
		a, b := left, m.sum()
		is := comparisons[op]
		left = func() int64 {
			if is(a(), b()) {
				return 1
			}
			return 0
		}
	}
	return left
}

func (m *interpreter) sum() expression {
	left := m.product()
	for m.peek() == "+" || m.peek() == "-" {
		minus := m.next() == "-"
		a, b := left, m.product()
		left = func() int64 {
			if minus {
				return m.held(a() - b())
			}
			return m.held(a() + b())
		}
	}
	return left
}

func (m *interpreter) product() expression {
	left := m.unary()
	for m.peek() == "*" || m.peek() == "/" || m.peek() == "MOD" {
		op := m.next()
		a, b := left, m.unary()
		left = func() int64 {
			x, y := a(), b()
			switch {
			case op == "*":
				return m.held(x * y)
			case y == 0:
				m.t.Fatal("division by zero")
			case op == "MOD":
				return x % y
			}
			return x / y
		}
	}
	return left
}

// held ends the test where an intermediate number overflows a DINT.
func (m *interpreter) held(v int64) int64 {
	if v < -1<<31 || v > 1<<31-1 {
		m.t.Fatalf("%d overflows", v)
	}
	return v
}

func (m *interpreter) unary() expression {
	switch w := m.next(); {
	case w == "NOT":
		x := m.unary()
		return func() int64 { return 1 - x() }
	case w == "-":
		x := m.unary()
		return func() int64 { return -x() }
	case w == "(":
		x := m.or()
		m.want(")")
		return x
	case w == "TRUE":
		return func() int64 { return 1 }
	case w == "FALSE":
		return func() int64 { return 0 }
	case w == "INT_TO_DINT", w == "DINT_TO_INT":
		m.want("(")
		x := m.or()
		m.want(")")
		return x
	case w != "" && w[0] >= '0' && w[0] <= '9':
		n := m.integer(w)
		return func() int64 { return n }
	default:
		s, index := m.variable(w)
		return func() int64 { return s.values[m.within(s, index())] }
	}
}

// TestInterpreter holds the interpreter to small programs whose results are
// known.
func TestInterpreter(t *testing.T) {
	m := newInterpreter(t, "PROGRAM LG_Line\n  VAR\n    a : DINT := 7;\n    b : ARRAY [1..3] OF INT := [4, 5, 6];\n    c : BOOL;\n    i : INT;\n  END_VAR\n"+
		"a := a * 3 - b[2] / 2 MOD 2; (* 21 - 0 *)\nFOR i := 1 TO 3 DO\n b[i] := b[i] + i;\nEND_FOR;\n"+
		"IF a = 21 AND NOT c THEN\n c := b[3] = 9 OR FALSE;\nELSIF c THEN\n a := 0;\nELSE\n a := -1;\nEND_IF;\nEND_PROGRAM")
	m.scan()
	if got := fmt.Sprint(m.vars["a"].values, m.vars["b"].values, m.vars["c"].values); got != "[21] [5 7 9] [1]" {
		t.Errorf("got %s", got)
	}
}
