package wording

// Kind is what kind of thing stands in the place of a placeholder.
type Kind string

// The kinds.
const (
	Quantity Kind = "a quantity with its unit"
	Number   Kind = "a number"
	Name     Kind = "stays as it is"
	Part     Kind = "words of this table"
)

// Placeholder is what may stand in braces in a sentence. A name means the same in all
// of them.
type Placeholder struct {
	Name    string
	Kind    Kind
	Meaning string
}

// placeholders is every name, in the order of the alphabet.
var placeholders = [...]Placeholder{
	{"act", Number, "the number of an act"},
	{"age", Quantity, "how old the scan is"},
	{"alarm", Name, "the key of an alarm"},
	{"angle", Part, "an angle"},
	{"as", Name, "how the journal has an offer"},
	{"at", Name, "a time of the day or a date"},
	{"band", Quantity, "the width of the glue"},
	{"bare", Quantity, "a width that is left bare"},
	{"basis", Part, "by which configuration something was computed"},
	{"before", Quantity, "the value of the roll before"},
	{"bit", Number, "the number of a permissive"},
	{"block", Name, "a block of the handshake"},
	{"bond", Quantity, "the temperature of the bond line"},
	{"boot", Number, "the boot number of the controller"},
	{"bore", Quantity, "the bore of a core"},
	{"by", Part, "who did it: the name of a person"},
	{"cause", Part, "why something happened"},
	{"causes", Part, "likely causes"},
	{"caution", Part, "a caution"},
	{"certificate", Name, "a certificate"},
	{"change", Name, "what a person changed, as written"},
	{"changes", Part, "changes that would help"},
	{"choices", Name, "what there is to choose from"},
	{"code", Name, "the code of a condition"},
	{"command", Name, "a command of lapgate"},
	{"computed", Quantity, "what was computed"},
	{"confirmed", Number, "the slot that was confirmed"},
	{"core", Name, "the name of a core"},
	{"count", Number, "how many"},
	{"counts", Number, "counts of an encoder"},
	{"crimpers", Quantity, "the frequency of the crimpers"},
	{"day", Number, "the day of the month"},
	{"degrees", Number, "degrees of an angle"},
	{"diameter", Quantity, "the diameter of the roll"},
	{"difference", Name, "what differs"},
	{"dose", Quantity, "how long at 180 °C does the same harm"},
	{"drag", Quantity, "the drag on the roll"},
	{"dwell", Quantity, "how long is pressed"},
	{"evidence", Part, "what proves it"},
	{"expected", Quantity, "what was expected"},
	{"fault", Part, "why something cannot be computed"},
	{"feed", Quantity, "the speed or frequency of the feed rolls"},
	{"field", Name, "the name of a value"},
	{"finding", Part, "what a finding says, or its code"},
	{"first", Part, "the first of several"},
	{"fit", Part, "whether a wrapper roll fits"},
	{"floor", Number, "the epoch floor of the controller"},
	{"frequency", Quantity, "a frequency"},
	{"from", Part, "where a range or count begins, or what was so before"},
	{"got", Quantity, "what was measured or computed"},
	{"grade", Number, "the code of a grade"},
	{"greatest", Number, "the greatest that is allowed"},
	{"hash", Name, "the hash of a configuration"},
	{"head", Name, "the name of a head material"},
	{"height", Quantity, "the height of the roll centre"},
	{"how", Name, "how a value is measured, as the configuration says"},
	{"hung", Quantity, "the width that hangs"},
	{"lap", Quantity, "how far the fold reaches under the head"},
	{"lasts", Part, "for how long"},
	{"layers", Number, "how many layers"},
	{"least", Quantity, "the least that is needed"},
	{"left", Quantity, "what is left"},
	{"length", Quantity, "a length of paper"},
	{"level", Part, "how grave it is"},
	{"limit", Quantity, "the limit"},
	{"line", Name, "the name of the line"},
	{"lower", Part, "the lower end, or its rule"},
	{"mass", Quantity, "a mass"},
	{"meaning", Part, "what a code means"},
	{"mode", Part, "how it came about, or how a station is worked"},
	{"month", Part, "the month"},
	{"more", Quantity, "how many degrees more"},
	{"name", Name, "a name"},
	{"nearest", Part, "the slot that is nearest to serve"},
	{"need", Quantity, "what is needed"},
	{"newest", Number, "the newest epoch"},
	{"next", Part, "what comes next"},
	{"note", Part, "a warning"},
	{"number", Number, "a number"},
	{"of", Name, "what it is about"},
	{"off", Quantity, "how far off it is"},
	{"offer", Name, "the number of an offer"},
	{"offset", Quantity, "how far from the middle"},
	{"order", Name, "the number of an order"},
	{"ordered", Number, "what was ordered"},
	{"origin", Name, "file and line of a setting"},
	{"outcome", Part, "what became of a roll"},
	{"outside", Number, "how many are outside"},
	{"ovality", Number, "how far out of round"},
	{"overhang", Quantity, "the overhang"},
	{"overlap", Quantity, "the overlap"},
	{"own", Number, "our own session"},
	{"paper", Name, "the name of a paper"},
	{"papers", Part, "names of papers"},
	{"plug", Quantity, "the size of a core plug"},
	{"position", Quantity, "where the crimpers stand"},
	{"pressure", Quantity, "a pressure"},
	{"quality", Number, "the quality of the scan"},
	{"reading", Name, "what the scanner read"},
	{"reads", Part, "what the scale reads, or how often was read"},
	{"reason", Part, "a reason"},
	{"recipe", Part, "the recipe in a few words"},
	{"relief", Part, "what would help; a sentence of its own, or nothing"},
	{"request", Number, "the number of a request"},
	{"rest", Part, "the rest of several"},
	{"roll", Part, "the roll: its tag or number"},
	{"rule", Part, "a rule of the overhang"},
	{"said", Name, "what was said"},
	{"seconds", Number, "seconds"},
	{"seen", Number, "a roll number seen before"},
	{"setpoint", Part, "the name or value of a setpoint"},
	{"setting", Name, "the key of a setting"},
	{"share", Number, "a share"},
	{"short", Quantity, "how much is missing"},
	{"side", Part, "coated or plain"},
	{"since", Name, "since when"},
	{"size", Quantity, "the diameter of a head"},
	{"slot", Number, "the number of a slot of the stand"},
	{"slots", Part, "what hangs in each slot"},
	{"spec", Name, "the name of a wrap specification"},
	{"spread", Quantity, "how far samples differ"},
	{"state", Part, "a state in words"},
	{"station", Name, "the name of a station"},
	{"step", Part, "a step of the work, or a number"},
	{"tag", Name, "the tag of the roll"},
	{"tare", Quantity, "the tare"},
	{"temperature", Quantity, "a temperature"},
	{"text", Part, "a sentence"},
	{"time", Quantity, "a time"},
	{"times", Number, "how many times"},
	{"title", Part, "what is drawn"},
	{"to", Part, "where a range or count ends, or what is so now"},
	{"tolerance", Quantity, "how far it may be off"},
	{"turning", Quantity, "the speed or frequency of the turning rolls"},
	{"turns", Number, "how many turns"},
	{"uncertainty", Quantity, "how uncertain it is"},
	{"unit", Name, "a unit"},
	{"until", Name, "until when"},
	{"upper", Part, "the upper end, or its rule"},
	{"value", Quantity, "the value of a setting"},
	{"verdict", Part, "a verdict"},
	{"want", Quantity, "what was wanted"},
	{"weekday", Part, "the day of the week"},
	{"weighing", Part, "what the scale says"},
	{"what", Part, "what it is"},
	{"why", Part, "why"},
	{"width", Quantity, "a width"},
	{"widths", Part, "a range of widths"},
	{"wrap_speed", Quantity, "the wrap speed"},
	{"wrapper", Quantity, "the width of the wrapper"},
	{"year", Number, "the year"},
	{"zones", Name, "numbers of vacuum zones"},
}

// Placeholders are all there are, by name.
func Placeholders() []Placeholder { return placeholders[:] }

// meaningOf is what a placeholder stands for.
func meaningOf(name string) string {
	for i := range placeholders {
		if placeholders[i].Name == name {
			return placeholders[i].Meaning
		}
	}
	return name
}
