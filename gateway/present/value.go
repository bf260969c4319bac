package present

import (
	"bytes"
	"cmp"
	"encoding"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Column is a column of a table, or one named value.
type Column struct {
	Name  string // in JSON, with the SI unit at its end
	Label string // for people; empty for the name
	Drop  int    // goes first from a narrow table, the highest before the others; 0 stays
	Words string // family of the table of sentences that the words in it are of; empty for none
	// Head is the key below head of the table of sentences, where the title says another
	// thing elsewhere.
	Head string
}

// ending is what the end of a name in JSON tells of its unit.
type ending struct {
	text string
	dim  quantity.Dimension
	unit string // where there is no dimension: no other unit is known
}

// endings lists the ends of names in JSON, a longer one before its own end.
var endings = func() []ending {
	list := []ending{{"_percent", quantity.None, "%"}}
	for _, d := range quantity.Dimensions() {
		if end := quantity.Suffix(d); end != "" {
			list = append(list, ending{end, d, ""})
		}
	}
	slices.SortStableFunc(list, func(a, b ending) int { return len(b.text) - len(a.text) })
	return list
}()

// split parts a name in JSON from its unit.
func split(name string) (stem string, e ending) {
	for _, e := range endings {
		if stem, ok := strings.CutSuffix(name, e.text); ok && stem != "" {
			return stem, e
		}
	}
	return name, ending{}
}

// Title is the name of a column for people, without its unit.
func (c Column) Title() string {
	if c.Label != "" {
		return c.Label
	}
	stem, _ := split(c.Name)
	return strings.ReplaceAll(stem, "_", " ")
}

// unit is what people read a column in; empty for none.
func (w *Printer) unit(c Column) string {
	_, e := split(c.Name)
	if e.dim == quantity.None {
		return e.unit
	}
	return w.Line.Unit(e.dim)
}

// head is the name of a column with its unit.
func (w *Printer) head(c Column) string { return w.withUnit(c, c.Title()) }

func (w *Printer) withUnit(c Column, title string) string {
	if unit := w.unit(c); unit != "" {
		return title + " (" + unit + ")"
	}
	return title
}

// title is the name of a column in the language of people.
func (w *Printer) title(c Column) string {
	if w.Words == nil {
		return c.Title()
	}
	return w.Words.Word("head", cmp.Or(c.Head, c.Title()))
}

// Amount is a value in SI of its own name and unit, in a column whose rows are
// of different dimensions.
type Amount struct {
	Name   string // in JSON, with its unit
	Value  float64
	Signed bool // a difference: with its sign
}

// MarshalJSON writes the value in SI.
func (a Amount) MarshalJSON() ([]byte, error) { return json.Marshal(a.Value) }

// Text is the amount with its unit, as people read it on a line.
func (a Amount) Text(line *recipe.Line) string { return (&Printer{Line: line}).amount(a) }

// Quantity is a cell that names a quantity: its label for people, with the
// unit in CSV, and in JSON its name.
type Quantity Column

// MarshalJSON writes the name.
func (q Quantity) MarshalJSON() ([]byte, error) { return json.Marshal(q.Name) }

// Entry is a named value whose name is given by data.
type Entry struct {
	Column
	Value any // nil for nothing
}

// Entries are named values in their order, in JSON one object.
type Entries []Entry

// isEntries reports whether values of a type are named values.
func isEntries(t reflect.Type) bool {
	switch t {
	case reflect.TypeFor[Entries](), reflect.TypeFor[recipe.Values](), reflect.TypeFor[record.Members]():
		return true
	}
	return false
}

// asEntries returns a value as named values when it is that.
func asEntries(v reflect.Value) (Entries, bool) {
	switch list := v.Interface().(type) {
	case Entries:
		return list, true
	case recipe.Values:
		out := make(Entries, len(list))
		for i, p := range list {
			out[i] = Entry{Column{Name: p.Name, Label: p.Label}, Setpoint(p)}
		}
		return out, true
	case record.Members:
		out := make(Entries, len(list))
		for i, m := range list {
			out[i] = Entry{Column{Name: m.Name}, m.Value}
		}
		return out, true
	}
	return nil, false
}

// within is what a pointer or an interface holds.
func within(v reflect.Value) reflect.Value {
	for v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface {
		v = v.Elem()
	}
	return v
}

// EntriesOf are the cells of a row under the names of its columns.
func EntriesOf(columns []Column, cells []any) Entries {
	out := make(Entries, len(columns))
	for i, c := range columns {
		out[i] = Entry{c, cells[i]}
	}
	return out
}

// MarshalJSON writes an object without the values that are nil.
func (list Entries) MarshalJSON() ([]byte, error) {
	b := bytes.NewBufferString("{")
	for _, e := range list {
		if e.Value == nil {
			continue
		}
		text, err := marshal(e.Value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", e.Name, err)
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		fmt.Fprintf(b, "%q:%s", e.Name, text)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// field is one field of a printed struct.
type field struct {
	Column
	index     []int
	omitEmpty bool
	below     bool
	alone     bool // an empty label
	csv       bool
	apart     bool
	cell      bool // its type fits into a cell
}

func (f *field) isColumn() bool { return f.cell && !f.below && !f.alone && f.Label != "-" }

// of is the field in a struct; the zero value where an embedded pointer is nil.
func (f *field) of(v reflect.Value) reflect.Value {
	out, err := v.FieldByIndexErr(f.index)
	if err != nil {
		return reflect.Zero(v.Type().FieldByIndex(f.index).Type)
	}
	return out
}

// value is the field as a cell, nil for nothing.
func (f *field) value(v reflect.Value) any {
	member := f.of(v)
	if isNothing(member) || f.omitEmpty && isEmpty(member) {
		return nil
	}
	return member.Interface()
}

func indirect(t reflect.Type) reflect.Type {
	if t.Kind() == reflect.Pointer {
		return t.Elem()
	}
	return t
}

// fieldsOf lists the fields of a struct that are printed, those of embedded
// structs in their place.
func fieldsOf(t reflect.Type) []field {
	var out []field
	for _, f := range reflect.VisibleFields(indirect(t)) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		label, labelled := f.Tag.Lookup("label")
		if !f.IsExported() || name == "-" && !labelled || f.Anonymous && name == "" {
			continue
		}
		if name == "" {
			name = f.Name
		}
		one := field{
			Column: Column{Name: name, Label: label}, index: f.Index,
			omitEmpty: strings.Contains(options, "omitempty") || strings.Contains(options, "omitzero"),
			alone:     labelled && label == "", cell: isCell(f.Type),
		}
		for option := range strings.SplitSeq(f.Tag.Get("print"), ",") {
			switch text, drop := strings.CutPrefix(option, "drop="); {
			case drop:
				one.Drop, _ = strconv.Atoi(text) // the test of the printed types proves the tags
			case strings.HasPrefix(option, "words="):
				one.Words = strings.TrimPrefix(option, "words=")
			case strings.HasPrefix(option, "head="):
				one.Head = strings.TrimPrefix(option, "head=")
			case option == "below":
				one.below = true
			case option == "csv":
				one.csv = true
			case option == "apart":
				one.apart = true
			}
		}
		out = append(out, one)
	}
	return out
}

// isCell reports whether values of a type fit into a cell: plain values,
// words, times and lists of them.
func isCell(t reflect.Type) bool {
	if t.Implements(reflect.TypeFor[fmt.Stringer]()) || t.Implements(reflect.TypeFor[encoding.TextMarshaler]()) ||
		t == reflect.TypeFor[Amount]() || t == reflect.TypeFor[Quantity]() {
		return true
	}
	switch t.Kind() {
	case reflect.Pointer:
		return isCell(t.Elem())
	case reflect.Slice, reflect.Array:
		return isCell(t.Elem()) && !isEntries(t)
	case reflect.Struct, reflect.Map, reflect.Func, reflect.Chan, reflect.Interface:
		return false
	}
	return true
}

func isNothing(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface, reflect.Map, reflect.Slice, reflect.Func:
		return v.IsNil()
	}
	return false
}

// isEmpty is what omitempty of JSON leaves out.
func isEmpty(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Slice, reflect.Map, reflect.String, reflect.Array:
		return v.Len() == 0
	}
	return v.IsZero()
}

// cell is a value as text, and whether it is a figure and stands to the right.
type cell struct {
	text  string
	right bool
}

// nothing stands in a cell without a value.
const nothing = "-"

// textCell is a value in a table, where the head has the unit.
func (w *Printer) textCell(c Column, v any) cell {
	switch v := plain(v).(type) {
	case nil:
		return cell{text: nothing}
	case Amount:
		return cell{w.amount(v), true}
	case float64:
		return cell{w.number(c, v), true}
	case int64, uint64:
		return cell{fmt.Sprint(v), true}
	case []any:
		parts := make([]string, len(v))
		for i, x := range v {
			parts[i] = w.textCell(c, x).text
		}
		return cell{text: strings.Join(parts, ", ")}
	case bool:
		return cell{text: w.Words.Word("head", w.word(v))}
	case wording.Phrase:
		return cell{text: Clean(w.Words.Text(v.Said))}
	default:
		if c.Words != "" {
			return cell{text: w.Words.Word(c.Words, w.word(v))}
		}
	}
	return cell{text: w.word(plain(v))}
}

// full is a value that stands alone, with its unit.
func (w *Printer) full(c Column, v any) string {
	text := w.textCell(c, v).text
	switch v := plain(v).(type) {
	case float64:
		return w.amount(Amount{Name: c.Name, Value: v})
	case []any:
		if unit := w.unit(c); unit != "" && len(v) > 0 {
			text += " " + unit
		}
	}
	return text
}

// measure is an Amount with its unit.
func (w *Printer) amount(a Amount) string {
	c := Column{Name: a.Name}
	text := w.number(c, a.Value)
	if a.Signed && a.Value > 0 && text != "0" {
		text = "+" + text
	}
	if unit := w.unit(c); unit != "" {
		text += " " + unit
	}
	return text
}

// number rounds a value for people, in the unit of its column but without it.
func (w *Printer) number(c Column, v float64) string {
	_, e := split(c.Name)
	unit := w.unit(c)
	switch {
	case e.dim == quantity.None && v != 0 && math.Abs(v) < 1e-3: // not nothing
		return strconv.FormatFloat(v, 'g', 3, 64)
	case e.dim == quantity.None || math.IsNaN(v) || math.IsInf(v, 0):
		return quantity.Round(v, quantity.None, "", 4)
	case e.dim == quantity.TemperatureDifference:
		return strings.TrimSuffix(quantity.Round(v, e.dim, unit, 3), " "+unit)
	}
	return strings.TrimSuffix(w.Line.Write(v, e.dim), " "+unit)
}

// csvCell is a value for a program, in the unit of its column. What is no figure is
// defused for a spreadsheet.
func (w *Printer) csvCell(c Column, v any) string {
	text := w.csvText(c, v)
	switch plain(v).(type) {
	case float64, int64, uint64, Amount:
		return text
	}
	return defused(text)
}

func (w *Printer) csvText(c Column, v any) string {
	switch v := plain(v).(type) {
	case nil:
		return ""
	case Amount:
		return w.csvText(Column{Name: v.Name}, v.Value)
	case Quantity:
		return w.head(Column(v))
	case float64:
		_, e := split(c.Name)
		if e.dim != quantity.None {
			v = quantity.In(v, e.dim, w.unit(c))
		}
		return nineDigits(v)
	case time.Time:
		return v.In(w.Zone).Format(time.RFC3339Nano)
	case []any:
		parts := make([]string, len(v))
		for i, x := range v {
			parts[i] = w.csvText(c, x)
		}
		return strings.Join(parts, " ")
	case encoding.TextMarshaler:
		text, err := v.MarshalText()
		if err != nil {
			return fmt.Sprint(v)
		}
		return Clean(string(text))
	default:
		return w.word(v)
	}
}

// nineDigits writes a number without an exponent and without what is only the
// binary form of a decimal.
func nineDigits(v float64) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 9, 64), 64)
	if err != nil {
		short = v
	}
	return strconv.FormatFloat(short+0, 'f', -1, 64) // adding 0 turns −0 into 0
}

// word is a value that is not a figure, for people. It may hold what others wrote.
func (w *Printer) word(v any) string { return Clean(w.spoken(v)) }

func (w *Printer) spoken(v any) string {
	switch v := v.(type) {
	case time.Time:
		return v.In(w.Zone).Format("2006-01-02 15:04:05 MST")
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case Quantity:
		return Column(v).Title()
	case fmt.Stringer:
		return v.String()
	case encoding.TextMarshaler:
		if text, err := v.MarshalText(); err == nil {
			return string(text)
		}
	}
	return fmt.Sprint(v)
}

// plain brings the kinds of values together: nil, float64, int64, uint64,
// []any, and whatever has a word of its own.
func plain(value any) any {
	v := reflect.ValueOf(value)
	for v.IsValid() && v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return nil
		}
		v = v.Elem()
	}
	if !v.IsValid() {
		return nil
	}
	switch x := v.Interface().(type) {
	case fmt.Stringer, encoding.TextMarshaler, Amount, Quantity:
		return x
	}
	switch {
	case v.CanFloat():
		return v.Float()
	case v.CanInt():
		return v.Int()
	case v.CanUint():
		return v.Uint()
	case v.Kind() == reflect.Bool:
		return v.Bool()
	case v.Kind() == reflect.Slice || v.Kind() == reflect.Array:
		out := make([]any, v.Len())
		for i := range out {
			out[i] = v.Index(i).Interface()
		}
		return out
	}
	return v.Interface()
}

// inUTC is a value with all its times in UTC; what was handed in stays.
func inUTC(v reflect.Value) reflect.Value {
	if !v.IsValid() {
		return reflect.ValueOf((*struct{})(nil))
	}
	if t, ok := v.Interface().(time.Time); ok {
		return reflect.ValueOf(t.UTC())
	}
	if !hasTime(v.Type(), 0) {
		return v
	}
	out := reflect.New(v.Type()).Elem()
	out.Set(v)
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			break
		}
		inner := inUTC(v.Elem())
		if v.Kind() == reflect.Pointer {
			p := reflect.New(inner.Type())
			p.Elem().Set(inner)
			inner = p
		}
		out.Set(inner)
	case reflect.Slice:
		if v.IsNil() {
			break
		}
		out.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		fallthrough
	case reflect.Array:
		for i := range v.Len() {
			out.Index(i).Set(inUTC(v.Index(i)))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if out.Field(i).CanSet() {
				out.Field(i).Set(inUTC(v.Field(i)))
			}
		}
	}
	return out
}

// hasTime reports whether values of a type may hold times that are printed.
func hasTime(t reflect.Type, depth int) bool {
	if t == reflect.TypeFor[time.Time]() || t.Kind() == reflect.Interface {
		return true
	}
	if depth > 8 || t.Implements(reflect.TypeFor[json.Marshaler]()) {
		return false
	}
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Array:
		return hasTime(t.Elem(), depth+1)
	case reflect.Struct:
		for i := range t.NumField() {
			if hasTime(t.Field(i).Type, depth+1) {
				return true
			}
		}
	}
	return false
}
