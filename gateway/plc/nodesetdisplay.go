package plc

import (
	"strings"

	"lapgate/gateway/handshake"
)

// Aliases of the data types in a node set.
const (
	typeBoolean = "Boolean"
	typeUInt16  = "UInt16"
	typeUInt32  = "UInt32"
	typeDouble  = "Double"
	typeString  = "String"
)

// view is a folder of variables that show one block to people.
type view struct {
	name, text string
	block      handshake.ID
	shown      []shown
}

// shown is a field that a view shows.
type shown struct {
	field string
	as    string // name of the variable; empty for the field's own in capitals
	words bool   // the number stands for a word, which the variable holds
	bit   int    // of a set of bits, from 1; 0 for the whole field
	text  string // empty for the meaning of the field
}

// views lists the folders in the order of the space. All setpoints are shown;
// those named here have another name than their field.
func views() []view {
	return []view{
		{"Request", "The roll at the station and the state of the station. For people only.", handshake.REQ, []shown{
			{field: "phase", words: true, text: "Phase of the station."},
			{field: "flags", as: "Permitted", bit: 1, text: "All permissives are on."},
			{field: "flags", as: "GatewayAlive", bit: 5, text: "The gateway is alive."},
			{field: "roll_no", as: "RollNumber"}, {field: "req_id", as: "RequestNumber"}, {field: "roll_tag", as: "Tag"},
			{field: "diameter"}, {field: "width"}, {field: "weight"},
			{field: "grade", as: "GradeCode"}, {field: "core", as: "CoreCode"}, {field: "scan_quality"}, {field: "scan_age"},
			{field: "result_verdict", as: "Verdict", words: true}, {field: "result_reason", as: "Reason"},
			{field: "outcomes_produced"}, {field: "outcomes_acknowledged"},
			{field: "platen_temperature"}, {field: "platen_hot_temperature"},
		}},
		{"Recipe", "The recipe accepted last. For people only.", handshake.PAYLOAD, []shown{
			{field: "roll_no", as: "RollNumber"}, {field: "roll_tag", as: "Tag"}, {field: "groups"},
			{field: "slot", as: "WrapperSlot"}, {field: "turning_frequency", as: "TurningDrive"},
			{field: "feed_frequency", as: "FeedDrive"}, {field: "crimp_turning_frequency", as: "TurningDriveCrimping"},
			{field: "crimper_frequency", as: "CrimperDrive"}, {field: "roll_centre", as: "CentreHeight"},
		}},
		{"Outcome", "The outcome of the roll that left last. For people only.", handshake.OUT, []shown{
			{field: "out_idx", as: "Index"}, {field: "roll_no", as: "RollNumber"},
			{field: "outcome", words: true, text: "What became of the roll."},
			{field: "used_slot", as: "WrapperSlot"}, {field: "used_feed_length", as: "FeedLength"}, {field: "used_layers", as: "Layers"},
			{field: "used_crimp_time", as: "CrimpTime"}, {field: "used_header_temperature", as: "HeaderTemperature"},
			{field: "used_header_dwell", as: "HeaderDwell"}, {field: "used_outer_head", as: "OuterHead"},
			{field: "used_overlap", as: "Overlap"}, {field: "scale_reading"}, {field: "wrapper_used", as: "EncoderLength"},
			{field: "measured_overhang"}, {field: "press_pressure"},
		}},
	}
}

// display is one variable that people look at.
type display struct {
	name, text, dataType string
	unit                 *unit // nil for a plain number, a text or a bit
}

// displays lists the variables of a view in the order of the registers.
func (v *view) displays() []display {
	var all []display
	for _, f := range handshake.Fields(v.block) {
		listed := false
		for _, s := range v.shown {
			if s.field == f.Name {
				listed = true
				all = append(all, s.display(&f))
			}
		}
		if !listed && f.Setpoint != "" {
			all = append(all, (&shown{field: f.Name}).display(&f))
		}
	}
	return all
}

func (s *shown) display(f *handshake.FieldInfo) display {
	d := display{name: s.as, text: s.text, dataType: s.dataType(f)}
	if d.name == "" {
		d.name = capitals(f.Name)
	}
	if d.text == "" {
		d.text = f.Doc
	}
	for _, u := range units() {
		if u.field == f.Unit {
			d.unit = &u
		}
	}
	return d
}

// dataType is whole for numbers that only count or name something, Double for
// quantities.
func (s *shown) dataType(f *handshake.FieldInfo) string {
	switch {
	case s.bit > 0:
		return typeBoolean
	case s.words || f.Kind == handshake.FormText:
		return typeString
	case f.Unit != "" || f.Scale != 1:
		return typeDouble
	case f.Kind == handshake.FormU32:
		return typeUInt32
	}
	return typeUInt16
}

// capitals joins the words of a name, each with a capital: FeedLength for
// feed_length.
func capitals(name string) string {
	var b strings.Builder
	for word := range strings.SplitSeq(name, "_") {
		b.WriteString(upperFirst(word))
	}
	return b.String()
}

// browseName is the identifier of a block's variable without the line and
// without dots.
func browseName(line, identifier string) string {
	return strings.ReplaceAll(strings.TrimPrefix(identifier, line+"."), ".", "")
}

// unit is a unit of the fields as OPC UA writes it.
type unit struct {
	field      string // as the handshake writes it
	text       string // as people read it
	code, name string // by UN/ECE recommendation 20
}

// units lists the units. Speeds stand in mm/s in the registers, and are shown
// in m/s.
func units() []unit {
	return []unit{
		{"mm", "mm", "MMT", "millimetre"},
		{"mm/s", "m/s", "MTS", "metre per second"},
		{"kg", "kg", "KGM", "kilogram"},
		{"g", "g", "GRM", "gram"},
		{"s", "s", "SEC", "second"},
		{"Hz", "Hz", "HTZ", "hertz"},
		{"kPa", "kPa", "KPA", "kilopascal"},
		{"%", "%", "P1", "percent"},
		{"°C", "°C", "CEL", "degree Celsius"},
	}
}

// unitNamespace is the table that codes and numbers of units come from.
const unitNamespace = "http://www.opcfoundation.org/UA/units/un/cefact"

// unitType is the data type of a unit, and unitEncoding how it stands in XML.
const (
	unitType     = "i=887"
	unitEncoding = "i=888"
)

// unitValue is the value of the property that names a unit.
type unitValue struct {
	Object struct {
		Space    string `xml:"xmlns,attr"`
		Encoding string `xml:"TypeId>Identifier"`
		Unit     struct {
			Namespace   string `xml:"NamespaceUri"`
			ID          int32  `xml:"UnitId"`
			DisplayName string `xml:"DisplayName>Text"`
			Description string `xml:"Description>Text"`
		} `xml:"Body>EUInformation"`
	} `xml:"ExtensionObject"`
}

func (u *unit) value() *unitValue {
	v := &unitValue{}
	v.Object.Space = "http://opcfoundation.org/UA/2008/02/Types.xsd"
	v.Object.Encoding = unitEncoding
	v.Object.Unit.Namespace, v.Object.Unit.ID = unitNamespace, u.id()
	v.Object.Unit.DisplayName, v.Object.Unit.Description = u.text, u.name
	return v
}

// id is the number of the unit: the characters of its code as bytes, the last
// one lowest (OPC UA part 8, 5.6.3).
func (u *unit) id() int32 {
	var id int32
	for _, c := range []byte(u.code) {
		id = id<<8 | int32(c)
	}
	return id
}
