package config

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds of a file. They keep a hostile one from costing memory or time: the
// parser recurses by nesting. The words are enough for 500 lines and to spare.
const (
	maxTokens = 150000
	maxDepth  = 16
	maxIndent = 100

	// More of these than a person wants to read mean that it is no
	// configuration.
	maxTextProblems = 20
)

// node is one node of the file, without what the configuration has no use for.
type node struct {
	kind  kind
	text  string // of a scalar
	quote bool   // a scalar in quotes or a block
	null  bool
	free  bool // from an override, where quotes cannot be written
	pos   position
	dash  int // line in which an element of a list in lines of its own begins
	keys  []entry
	items []*node
}

type entry struct {
	key   string
	pos   position
	value *node
}

type kind uint8

const (
	scalar kind = iota
	mapping
	sequence
)

// what names the kind of the node in a message.
func (n *node) what() string {
	switch {
	case n.kind == mapping:
		return "a mapping"
	case n.kind == sequence:
		return "a list"
	case n.null:
		return "nothing"
	}
	return quoted(n.text)
}

func (n *node) child(key string) *node {
	if n == nil {
		return nil
	}
	for i := range n.keys {
		if n.keys[i].key == key {
			return n.keys[i].value
		}
	}
	return nil
}

// parse turns the bytes into a tree, or reports why not and returns nil.
func (d *decoder) parse(data []byte) (root *node) {
	before := len(d.problems)
	text := d.text(data)
	if len(d.problems) > before {
		return nil
	}
	defer func() {
		// The parser is not ours; a fault in it must not end a reload.
		if r := recover(); r != nil {
			d.problem(position{line: 1, col: 1}, "", "not readable as YAML", "a text that the parser fails on", "a YAML mapping", "compare with the reference configuration")
			root = nil
		}
	}()
	tokens := lexer.Tokenize(text)
	d.features(tokens)
	if len(d.problems) > before {
		return nil
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntax(err)
		return nil
	}
	var bodies []ast.Node
	for _, doc := range file.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.CommentType && doc.Body.Type() != ast.CommentGroupType {
			bodies = append(bodies, doc.Body)
		}
	}
	if len(bodies) == 0 {
		d.problem(position{line: 1, col: 1}, "", "empty configuration", "no keys", "a YAML mapping", beginning)
		return nil
	}
	root = d.convert(bodies[0], "", 0)
	if root != nil && root.kind != mapping {
		d.problem(root.pos, "", "not a configuration", root.what(), "a YAML mapping", beginning)
		return nil
	}
	if root != nil {
		root.pos = position{line: 1, col: 1}
	}
	return root
}

// text checks the bytes before any parser sees them.
func (d *decoder) text(data []byte) string {
	top := position{line: 1, col: 1}
	if len(data) > maxBytes {
		d.problem(top, "", "configuration too large", fmt.Sprintf("over %d bytes", maxBytes), fmt.Sprintf("at most %d bytes", maxBytes), "check that this is the right file")
		return ""
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	line := 1
	for raw := range bytes.Lines(data) {
		if !d.textLine(raw, line) || len(d.problems) >= maxTextProblems {
			return ""
		}
		line++
	}
	return string(data)
}

// textLine checks one line for what is no text, and for nesting. It returns
// false where the lines that follow are not worth a look.
func (d *decoder) textLine(raw []byte, line int) bool {
	at := position{line: line}
	for i, r := range string(raw) {
		at.col++
		if r == utf8.RuneError && !bytes.HasPrefix(raw[i:], []byte("\uFFFD")) {
			d.problem(at, "", "not UTF-8 text", fmt.Sprintf("byte %#02x", raw[i]), "UTF-8", "save the file as UTF-8; check that it is the right file")
			return false
		}
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0x7F {
			d.problem(at, "", "not a text file", fmt.Sprintf("control character %#02x", r), "text", "check that this is the right file")
			return false
		}
		if r == '\r' && i+1 < len(raw) && raw[i+1] != '\n' {
			d.problem(at, "", "carriage return within a line", `"\r"`, `lines that end with "\n" or "\r\n"`, "save the file with ordinary line ends")
			return false
		}
	}
	indent := raw[:len(raw)-len(bytes.TrimLeft(raw, " \t"))]
	body := bytes.TrimSpace(raw[len(indent):])
	if len(body) == 0 || body[0] == '#' {
		return true
	}
	if i := bytes.IndexByte(indent, '\t'); i >= 0 {
		d.problem(position{line: line, col: i + 1}, "", "tab in the indentation", `"\t"`, "spaces", "indent with spaces")
		return true
	}
	lead := 0
	for rest := body; len(rest) > 1 && (rest[0] == '-' || rest[0] == '?') && rest[1] == ' '; lead++ {
		rest = bytes.TrimLeft(rest[1:], " ")
	}
	if len(indent) > maxIndent || lead > maxDepth {
		d.tooDeep(position{line: line, col: 1})
		return false
	}
	return true
}

func (d *decoder) tooDeep(at position) {
	d.problem(at, "", "nested too deeply", fmt.Sprintf("more than %d levels", maxDepth), fmt.Sprintf("at most %d levels", maxDepth), "compare with the reference configuration")
}

// features refuses the parts of YAML that a configuration has no need of.
func (d *decoder) features(tokens token.Tokens) {
	refuse := func(tk *token.Token, text, remedy string) {
		got := strings.TrimSpace(tk.Value)
		if tk.Next != nil && (tk.Type == token.AnchorType || tk.Type == token.AliasType) {
			got += tk.Next.Value
		}
		d.problem(place(tk), "", text, quoted(got), "plain keys and values", remedy)
	}
	if len(tokens) > maxTokens {
		d.problem(position{line: 1, col: 1}, "", "configuration too large", fmt.Sprintf("%d words", len(tokens)), fmt.Sprintf("at most %d", maxTokens), "check that this is the right file")
		return
	}
	depth, content, directive := 0, false, false
	for _, tk := range tokens {
		switch tk.Type {
		case token.AnchorType:
			refuse(tk, "anchors are not supported", "write the values out")
		case token.AliasType:
			refuse(tk, "aliases are not supported", "write the values out")
		case token.MergeKeyType:
			refuse(tk, "merge keys are not supported", "write the keys out")
		case token.TagType:
			refuse(tk, "tags are not supported", "remove the tag")
		case token.DirectiveType:
			refuse(tk, "directives are not supported", "remove the line")
			directive = true
		case token.MappingKeyType:
			refuse(tk, "complex keys are not supported", "write key: value")
		case token.DocumentHeaderType:
			if content && !directive {
				d.problem(place(tk), "", "more than one document", `"---"`, "one document", "keep one and remove the rest")
				return
			}
			content, directive = false, false
			continue
		case token.SequenceStartType, token.MappingStartType:
			if depth++; depth > maxDepth {
				d.tooDeep(place(tk))
				return
			}
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.CommentType, token.DocumentEndType:
			continue
		}
		content = true
		if len(d.problems) >= maxTextProblems {
			return
		}
	}
}

// syntax reports an error of the parser.
func (d *decoder) syntax(err error) {
	at, text := position{line: 1, col: 1}, "malformed"
	got := "text that is not YAML"
	var ye yaml.Error
	if errors.As(err, &ye) {
		text = ye.GetMessage()
		if tk := ye.GetToken(); tk != nil {
			at = place(tk)
			if v := strings.TrimSpace(tk.Value); v != "" {
				got = quoted(v)
			}
		}
	}
	d.problem(at, "", "not valid YAML: "+text, got, "key: value, indented by spaces", "check indentation, quotes and brackets in this line and those beside it")
}

func place(tk *token.Token) position {
	if tk == nil || tk.Position == nil {
		return position{line: 1, col: 1}
	}
	return position{line: max(tk.Position.Line, 1), col: max(tk.Position.Column, 1)}
}

// convert builds the tree and reports duplicate keys. It returns nil where a
// part cannot be used; the problem has then been reported.
func (d *decoder) convert(n ast.Node, path string, depth int) *node {
	if n == nil {
		return nil
	}
	at := place(n.GetToken())
	if depth > maxDepth {
		d.tooDeep(at)
		return nil
	}
	switch x := n.(type) {
	case *ast.MappingNode:
		return d.convertMapping(x.Values, at, path, depth)
	case *ast.MappingValueNode:
		return d.convertMapping([]*ast.MappingValueNode{x}, at, path, depth)
	case *ast.SequenceNode:
		out := &node{kind: sequence, pos: at}
		for i, v := range x.Values {
			if c := d.convert(v, join(path, strconv.Itoa(i)), depth+1); c != nil {
				if !x.IsFlowStyle && i < len(x.Entries) {
					c.dash = place(x.Entries[i].Start).line
				}
				out.items = append(out.items, c)
			}
		}
		return out
	case *ast.LiteralNode:
		return &node{text: x.Value.Value, quote: true, pos: at}
	case *ast.NullNode:
		return &node{null: true, pos: at}
	case ast.ScalarNode:
		tk := x.GetToken()
		return &node{
			text:  tk.Value,
			quote: tk.Type == token.SingleQuoteType || tk.Type == token.DoubleQuoteType,
			pos:   at,
		}
	}
	d.problem(at, path, "not supported here", quoted(n.GetToken().Value), "a value, a list or a mapping", "compare with the reference configuration")
	return nil
}

func (d *decoder) convertMapping(values []*ast.MappingValueNode, at position, path string, depth int) *node {
	out := &node{kind: mapping, pos: at}
	for _, v := range values {
		tk := v.Key.GetToken()
		key := tk.Value
		kp := place(tk)
		if i := slices.IndexFunc(out.keys, func(e entry) bool { return e.key == key }); i >= 0 {
			d.problem(kp, join(path, key), "key given twice", "also in line "+strconv.Itoa(out.keys[i].pos.line), "each key once", "remove one of them")
			continue
		}
		c := d.convert(v.Value, join(path, key), depth+1)
		if c == nil {
			c = &node{null: true, pos: kp}
		}
		if c.kind == scalar && c.null {
			c.pos = kp
		}
		out.keys = append(out.keys, entry{key: key, pos: kp, value: c})
	}
	if len(out.keys) > 0 {
		out.pos = out.keys[0].pos
	}
	return out
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
