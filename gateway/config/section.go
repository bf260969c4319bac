package config

import (
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"time"

	"lapgate/gateway/tags"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
)

// document is a configuration file as it is written. The tags are those of
// recipe.Line, and more: one_of lists the words that a key takes; dimension
// says that the value is the name of a unit of it; optional marks a key that
// has no default and may be left out; secret one that is never shown; path one
// that names a file, relative to the folder of the configuration. restart, on a
// key or its section, is the remedy where a reload cannot change the value.
type document struct {
	Units            Units   `cfg:"units" doc:"units of the output, by dimension; the configuration itself may use any"`
	Log              Log     `cfg:"log" doc:"messages, on stderr"`
	Status           Status  `cfg:"status" restart:"restart the daemon to change it" doc:"status page and metrics"`
	Journal          Journal `cfg:"journal" restart:"restart the daemon to change it" doc:"durable records"`
	Control          Control `cfg:"control" restart:"restart the daemon to change it" doc:"commands of an operator to the running daemon"`
	Publish          Publish `cfg:"publish" restart:"restart the daemon to change it" doc:"what is sent onward, to a historian or another system of the mill"`
	Engine           Engine  `cfg:"engine" restart:"restart the daemon to change it" doc:"database in which a mill keeps the records of all its lines, and in which the two machines of a pair agree who acts; no line waits for it"`
	Shifts           Shifts  `cfg:"shifts" doc:"when people take over from each other"`
	Words            Words   `cfg:"words" doc:"language of the people at the line"`
	recipe.Materials `cfg:",inline"`
	Lines            []line `cfg:"lines" doc:"the wrapping lines, each with its controller"`
}

type line struct {
	recipe.Line `cfg:",inline"`
	Work        rate.Work  `cfg:"work" doc:"how long people and handling gear take at each step, beyond what the machine moves and heats: for lapgate rate alone, no recipe rests on it. Every default is judgement (J): take the times of the line with a watch."`
	Controller  Controller `cfg:"controller" restart:"restart the daemon to change it"`
	Mapped      Mapped     `cfg:"mapped" restart:"restart the daemon to change it" doc:"tags of a controller of profile mapped"`
	Scanner     Scanner    `cfg:"scanner" restart:"restart the daemon to change it"`
	Orders      Orders     `cfg:"orders" restart:"restart the daemon to change it"`
	Arming      Arming     `cfg:"arming" restart:"restart the daemon to change it"`

	mapping *tags.Mapping // nil for profile blocks
}

// Units are the preferred units of the output by dimension.
type Units struct {
	Length       string `cfg:"length" dimension:"length" default:"mm" doc:"lengths and diameters"`
	Temperature  string `cfg:"temperature" dimension:"temperature" default:"°C" doc:"temperatures"`
	Speed        string `cfg:"speed" dimension:"speed" default:"mm/s" doc:"surface speeds"`
	Mass         string `cfg:"mass" dimension:"mass" default:"kg" doc:"masses"`
	LinearMass   string `cfg:"linear_mass" dimension:"linear_mass" default:"kg/m" doc:"mass per length"`
	BasisWeight  string `cfg:"basis_weight" dimension:"basis_weight" default:"g/m2" doc:"mass per area"`
	Density      string `cfg:"density" dimension:"density" default:"kg/m3" doc:"densities"`
	Pressure     string `cfg:"pressure" dimension:"pressure" default:"kPa" doc:"pressures"`
	Rotation     string `cfg:"rotation" dimension:"rotation" default:"rpm" doc:"rotational speeds"`
	Acceleration string `cfg:"acceleration" dimension:"acceleration" default:"m/s2" doc:"accelerations"`
}

// For is the preferred unit of a dimension; where none can be configured, the
// one in which the dimension is held. Whoever reads °F reads a difference of
// temperatures in it too, and whoever reads inches or feet reads areas in ft2.
func (u *Units) For(d quantity.Dimension) string {
	const fahrenheit = "°F"
	if d == quantity.TemperatureDifference && u.Temperature == fahrenheit {
		return fahrenheit
	}
	if d == quantity.Area && slices.Contains([]string{"in", "ft", "yd", "mil"}, u.Length) {
		return "ft2"
	}
	v := reflect.ValueOf(u).Elem()
	for i := range v.NumField() {
		if v.Type().Field(i).Tag.Get("dimension") == string(d) {
			return v.Field(i).String()
		}
	}
	if names := quantity.Units(d); len(names) > 0 {
		return names[0]
	}
	return ""
}

// DefaultUnits are the units of the output where no configuration names any,
// by dimension.
func DefaultUnits() map[quantity.Dimension]string {
	var u Units
	v := reflect.ValueOf(&u).Elem()
	for i := range v.NumField() {
		v.Field(i).SetString(v.Type().Field(i).Tag.Get("default"))
	}
	return u.byDimension()
}

// byDimension lists the units that can be chosen, for texts of a line.
func (u *Units) byDimension() map[quantity.Dimension]string {
	out := map[quantity.Dimension]string{}
	for _, d := range quantity.Dimensions() {
		out[d] = u.For(d)
	}
	return out
}

// Log is how messages are written.
type Log struct {
	Level  string `cfg:"level" one_of:"debug,info,warn,error" default:"info" doc:"least level that is written; a reload changes it at once"`
	Format string `cfg:"format" one_of:"json,console" default:"console" restart:"restart the daemon to change it" doc:"form of a message"`
}

// Status is the page for people and the metrics.
type Status struct {
	Listen      string `cfg:"listen" default:"127.0.0.1:8480" doc:"address and port of page, metrics, health and JSON; other than on loopback only by TLS and for whom clients or token admit; none for no page"`
	Certificate string `cfg:"certificate" default:"" path:"true" doc:"file of the page's certificate, in PEM form with the chain behind it"`
	Key         string `cfg:"key" default:"" path:"true" doc:"file of its key, not encrypted, which only its owner may touch"`
	Clients     string `cfg:"clients" default:"" path:"true" doc:"file of the certificates that sign those of viewers, in PEM form; who shows such a one is admitted"`
	Token       string `cfg:"token" default:"" secret:"true" path:"true" doc:"where a token is read at the start that admits too, 16 characters at least: file:PATH, a file that only its owner may touch, or env:NAME; a program sends it as bearer, a browser as password, and it is never in an address"`
}

// Off reports whether no status page is wanted.
func (s Status) Off() bool { return s.Listen == none }

// Journal is where the durable records are kept.
type Journal struct {
	Directory string        `cfg:"directory" default:"journal" path:"true" doc:"directory of the journals, one file per line; relative to the folder of this file, as every path here"`
	LeastFree int           `cfg:"least_free" default:"500" range:"0..1000000" doc:"megabytes that the disk of the journals has free at least; with less people are told before it is full; 0 for never"`
	CloseSize int           `cfg:"close_size" default:"500" range:"0..1000000" doc:"megabytes at which a journal is closed off into an archive and goes on in a new file, of which a start reads all: 500 are a season at a roll a minute and some 15 s; 0 for never"`
	CloseAge  time.Duration `cfg:"close_age" unit:"time" default:"0 h" range:"0 h..876000 h" doc:"age of the first record at which a journal is closed off likewise; 0 for never"`
	Keep      time.Duration `cfg:"keep" unit:"time" default:"0 h" range:"0 h..876000 h" doc:"how long an archive is kept after its newest record, and never while an outcome in it is not acknowledged; 0 for ever"`
	State     string        `cfg:"state" default:"" path:"true" doc:"folder of what is known of the journals outside of them, by which a journal that was lost, exchanged or restored is told; best on another disk; empty for the folder state in the directory of the journals"`
}

// StateFolder is the folder of what is known of the journals outside of them.
func (j Journal) StateFolder() string {
	if j.State == "" {
		return filepath.Join(j.Directory, "state")
	}
	return j.State
}

// Path is the journal file of the named line.
func (j Journal) Path(line string) string { return filepath.Join(j.Directory, line+".db") }

// Protocol is how a controller is spoken to.
type Protocol string

// The protocols.
const (
	ModbusTCP Protocol = "modbus-tcp"
	ModbusTLS Protocol = "modbus-tls"
	ModbusRTU Protocol = "modbus-rtu"
	OPCUA     Protocol = "opcua"
)

// Controller is the controller of one line and how it is reached.
type Controller struct {
	Protocol Protocol     `cfg:"protocol" one_of:"modbus-tcp,modbus-tls,modbus-rtu,opcua" default:"modbus-tcp" doc:"how it is spoken to"`
	Profile  Profile      `cfg:"profile" one_of:"blocks,mapped" default:"blocks" doc:"blocks where its program has the blocks of the handshake, mapped where it has tags of its own"`
	Address  string       `cfg:"address" doc:"host:port for modbus-tcp and modbus-tls, the serial device for modbus-rtu, the opc.tcp URL for opcua"`
	Unit     int          `cfg:"unit" default:"1" range:"0..255" doc:"Modbus unit"`
	Plain    bool         `cfg:"plain" optional:"true" doc:"true allows a link without encryption or login, which modbus-tcp, modbus-rtu and OPC UA with policy None need; only on a closed network"`
	Modbus   ModbusServer `cfg:"modbus" doc:"for the Modbus protocols alone"`
	TLS      TLS          `cfg:"tls" doc:"for protocol modbus-tls alone"`
	Serial   Serial       `cfg:"serial" doc:"for protocol modbus-rtu alone"`
	Bases    Bases        `cfg:"bases"`
	Times    Times        `cfg:"times"`
	Program  Program      `cfg:"program"`
	OPCUA    OPCUAServer  `cfg:"opcua" doc:"for protocol opcua alone"`
}

// Bases are the zero-based addresses of the first holding register of each
// block.
type Bases struct {
	Request   uint16 `cfg:"request" default:"1000" doc:"REQ, 96 registers"`
	Outcomes  uint16 `cfg:"outcomes" default:"1200" doc:"OUT, 64 entries of 40 registers"`
	Heartbeat uint16 `cfg:"heartbeat" default:"4000" doc:"HEARTBEAT, 10 registers"`
	Hello     uint16 `cfg:"hello" default:"4010" doc:"HELLO, 10 registers"`
	Payload   uint16 `cfg:"payload" default:"4030" doc:"PAYLOAD, 80 registers"`
	Commit    uint16 `cfg:"commit" default:"4120" doc:"COMMIT, 14 registers"`
	Ack       uint16 `cfg:"ack" default:"4140" doc:"ACK, 10 registers"`
	Limits    uint16 `cfg:"limits" default:"4200" doc:"LIMITS, 80 registers; read only where the controller says that it publishes it"`
}

// DefaultBases are the bases that the description of the handshake proposes.
func DefaultBases() (b Bases) {
	v := reflect.ValueOf(&b).Elem()
	for i := range v.NumField() {
		n, err := strconv.ParseUint(v.Type().Field(i).Tag.Get("default"), 10, 16)
		if err != nil {
			panic("config: a base has no default: " + err.Error())
		}
		v.Field(i).SetUint(n)
	}
	return b
}

// Times are the gateway's own times of the handshake.
type Times struct {
	Poll           time.Duration `cfg:"poll" unit:"time" default:"100 ms" range:"50 ms..1000 ms" doc:"between reads of the request block"`
	RequestTimeout time.Duration `cfg:"request_timeout" unit:"time" default:"500 ms" range:"100 ms..5000 ms" doc:"wait for one answer of the controller"`
	Heartbeat      time.Duration `cfg:"heartbeat" unit:"time" default:"500 ms" range:"200 ms..2000 ms" doc:"between heartbeats"`
	DataStale      time.Duration `cfg:"data_stale" unit:"time" default:"1.0 s" range:"50 ms..60 s" doc:"a tick that stands this long is no view; five publications at least"`
	Verdict        time.Duration `cfg:"verdict" unit:"time" default:"1.5 s" range:"50 ms..60 s" doc:"wait for a verdict before looking again; less than program.commit_ttl"`
	ReconnectMin   time.Duration `cfg:"reconnect_min" unit:"time" default:"0.25 s" range:"10 ms..60 s" doc:"first wait before connecting again, doubled each time"`
	ReconnectMax   time.Duration `cfg:"reconnect_max" unit:"time" default:"5 s" range:"100 ms..600 s" doc:"longest wait before connecting again"`
}

// Program are the times set in the controller's program. The gateway's own
// times are checked against them.
type Program struct {
	Scan          time.Duration `cfg:"scan" unit:"time" default:"20 ms" range:"2 ms..100 ms" doc:"scan cycle of the controller"`
	Publication   time.Duration `cfg:"publication" unit:"time" default:"100 ms" range:"2 ms..200 ms" doc:"longest time between publications of the request block"`
	CommitTTL     time.Duration `cfg:"commit_ttl" unit:"time" default:"2.0 s" range:"100 ms..60 s" doc:"COMMIT_TTL of the controller: a later commit is refused"`
	HeartbeatLoss time.Duration `cfg:"heartbeat_loss" unit:"time" default:"2.5 s" range:"500 ms..60 s" doc:"HB_LOSS of the controller; four heartbeats at least"`
}
