// Package setup makes the first configuration of a mill out of the answers to ten
// questions. What the answers do not tell is left open where it must be measured at the
// line, and else stands at the default of its key.
package setup

// Question is one of the ten, by the name of its flag.
type Question struct {
	Name    string
	Ask     string
	Form    string // of the answer
	Example string
}

// The names of the questions.
const (
	unitsName      = "units"
	lineName       = "name"
	controllerName = "controller"
	sizesName      = "sizes"
	hangingName    = "hanging"
	headsName      = "heads"
	gradesName     = "grades"
	coresName      = "cores"
	speedsName     = "speeds"
	stationsName   = "stations"
)

// Questions are the ten, in the order in which they are asked. In a list entries are
// separated by semicolons, and what an entry tells by commas.
func Questions() []Question {
	return []Question{
		{unitsName, "Which units do people of the mill read?", "metric or inch", "metric"},
		{lineName, "What is the line called?", "letters, figures, - and _", "east"},
		{controllerName, "Where is its controller reached?", "host:port for Modbus TCP, an opc.tcp:// URL for OPC UA, a serial device for Modbus RTU", "192.0.2.10:502"},
		{sizesName, "Which rolls does the line take?", "DIAMETERS x WIDTHS, each least..greatest", "600 mm..1400 mm x 500 mm..2400 mm"},
		{hangingName, "Which wrappers hang in its slots, from slot 1 on?", "WIDTH, PAPER; and so on, at most six", "900 mm, brown; 1250 mm, brown; 1600 mm, brown; 2100 mm, brown"},
		{headsName, "Which outer heads are in stock?", "NAME, fused or glued, PLATEN TEMPERATURE, SIZES; a size is one or LEAST..GREATEST by STEP", "poly-board, fused, 177 °C, 600 mm..1400 mm by 50 mm"},
		{gradesName, "Which grades of paper come?", "CODE OF THE CONTROLLER, NAME, DENSITY or open, HEAD where there are several; and so on", "1, news, 640 kg/m3; 2, kraft, open"},
		{coresName, "On which cores?", "CODE OF THE CONTROLLER, NAME, OUTER DIAMETER; and so on", "1, slim, 96 mm"},
		{speedsName, "How fast does the surface of the roll move?", "SPEED WHILE WRAPPING, SPEED WHILE CRIMPING", "0.6 m/s, 0.4 m/s"},
		{stationsName, "Which stations are not automatic?", "STATION, absent, manual or semi; and so on; vacuum, auto, with the distance of the outer edge of each zone from the line centre; all for none", "heads, manual; scale, absent"},
	}
}

// Answers are the answers by the name of their question.
type Answers map[string]string

// Missing are the names of the questions without an answer, in their order.
func (a Answers) Missing() (names []string) {
	for _, q := range Questions() {
		if a[q.Name] == "" {
			names = append(names, q.Name)
		}
	}
	return names
}
