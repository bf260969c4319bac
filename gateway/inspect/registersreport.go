package inspect

import (
	"fmt"

	"lapgate/gateway/link/modbus"
	"lapgate/gateway/present"
)

// RegistersReport is what stood in the registers of a device, in every way in
// which it can be read.
type RegistersReport struct {
	Device    string     `json:"device"`
	Unit      uint8      `json:"unit"`
	Registers string     `json:"registers"`
	Address   int        `json:"address" label:"first address"`
	Number    string     `json:"number" label:"in the other notation"`
	Count     int        `json:"count"`
	RoundTrip RoundTrips `json:"round_trip_s"`
	Words     []Word     `json:"words" label:"register by register" print:"csv"`
	// Pairs are the numbers of 32 bits in each order and type. JSON has all of
	// them.
	Pairs *present.Table `json:"pairs" label:"pairs of registers"`
	Order string         `json:"plausible_order,omitempty" label:"-"`
	Type  string         `json:"plausible_type,omitempty" label:"-"`
	Notes []string       `json:"notes" label:""`
}

// Word is one register.
type Word struct {
	Address  int    `json:"address"`
	Register string `json:"register"` // its number in the other notation
	Hex      string `json:"hex"`
	Unsigned uint16 `json:"uint16"`
	Signed   int16  `json:"int16"`
	Text     string `json:"text"`
	Changes  bool   `json:"changes"`
}

// pairOut is one pair of registers in JSON.
type pairOut struct {
	Address  int                          `json:"address"`
	Readings map[string]map[string]string `json:"readings"` // by word order and type
}

func (w *RegistersWanted) report(seen *registersRead) *RegistersReport {
	kind := w.kind()
	out := &RegistersReport{
		Device: w.Address, Unit: w.Unit, Registers: HoldingRegisters, Address: w.First, Number: modbus.Notation(kind, w.First), Count: w.Count,
		RoundTrip: seen.took, Order: seen.best.Order, Type: string(seen.best.Number), Pairs: w.pairs(seen),
	}
	if w.Input {
		out.Registers = InputRegisters
	}
	for i, word := range seen.words {
		out.Words = append(out.Words, Word{
			Address: w.First + i, Register: modbus.Notation(kind, w.First+i), Hex: fmt.Sprintf("%04X", word), Unsigned: word, Signed: int16(word),
			Text: Printable(TextOf([]uint16{word}, HighByteFirst)), Changes: seen.changed[i],
		})
	}
	note := func(format string, args ...any) { out.Notes = append(out.Notes, fmt.Sprintf(format, args...)) }
	for _, o := range []LetterOrder{HighByteFirst, LowByteFirst} {
		if text := LongestText(seen.words, o); text != "" {
			note("text, %s: %s", o, text)
		}
	}
	switch {
	case len(seen.pairs) == 0:
	case seen.best == Choice{}:
		note("no word order makes more sense than the others")
	default:
		note("* most plausible: %s in word order %s", seen.best.Number, seen.best.Order)
	}
	if seen.shifted {
		note("pairs from address %d on make more sense than those from %d", w.First+1, w.First)
	}
	return out
}

// pairs are the numbers in the orders and types that people want to see.
func (w *RegistersWanted) pairs(seen *registersRead) *present.Table {
	types := NumberTypes()
	if w.Floats {
		types = []NumberType{Float32}
	}
	t := &present.Table{Columns: []present.Column{{Name: "address"}, {Name: "registers"}}}
	var shown []Choice
	for _, order := range OrderNames() {
		if w.Order != "" && order != w.Order {
			continue
		}
		for _, n := range types {
			c := Choice{Order: order, Number: n}
			column := present.Column{Name: order + " " + string(n), Drop: len(shown) + 1}
			if c == seen.best {
				column.Name, column.Drop = column.Name+" *", 0
			}
			shown, t.Columns = append(shown, c), append(t.Columns, column)
		}
	}
	t.Rows = func(yield func(present.Row, error) bool) {
		for i := range seen.pairs {
			if !yield(w.pair(&seen.pairs[i], shown), nil) {
				return
			}
		}
	}
	return t
}

func (w *RegistersWanted) pair(r *Pair, shown []Choice) present.Row {
	at := w.First + r.Offset
	row := present.Row{Cells: []any{at, modbus.Notation(w.kind(), at) + "," + modbus.Notation(w.kind(), at+1)}}
	for _, c := range shown {
		row.Cells = append(row.Cells, r.Text(c))
	}
	all := pairOut{at, map[string]map[string]string{}}
	for _, order := range OrderNames() {
		all.Readings[order] = map[string]string{}
		for _, n := range NumberTypes() {
			all.Readings[order][string(n)] = r.Text(Choice{Order: order, Number: n})
		}
	}
	row.JSON = all
	return row
}
