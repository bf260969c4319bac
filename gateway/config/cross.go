package config

import (
	"cmp"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// cross checks what no key can tell alone. Keys that are already wrong are
// left out, so that one mistake is reported once.
func (d *decoder) cross(doc *document) {
	d.checkStatus(doc)
	d.checkShifts(doc.Shifts)
	d.checkMQTT(&doc.Publish.MQTT)
	d.checkEngine(&doc.Engine)
	d.checkMaterials(doc)
	if d.good("lines") && len(doc.Lines) == 0 {
		d.problem(d.where("lines"), "lines", "no wrapping line", "an empty list", "one line at least", "add a line, as in the reference configuration")
	}
	names := make([]named, len(doc.Lines))
	for i := range doc.Lines {
		path := "lines." + strconv.Itoa(i)
		names[i] = named{path + ".name", doc.Lines[i].Name}
		d.checkLine(doc, &doc.Lines[i], path)
	}
	d.unique(names, "name")
	d.oneMaster(doc)
	d.checkUnused(doc)
}

// Loopback tells whether a host is this machine alone. Elsewhere the status page serves
// nobody who does not prove himself.
func Loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// lowestPort is the least port number allowed; 0 lets the system choose.
type lowestPort int

// hostPort checks an address and returns its host.
func (d *decoder) hostPort(key, address string, lowest lowestPort) (string, bool) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		d.problem(d.where(key), key, "not an address", quoted(address), "host:port, as in 192.0.2.10:502", "write host and port with a colon between; an IPv6 host stands in brackets")
		return "", false
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n < uint64(lowest) {
		d.problem(d.where(key), key, "not a port", quoted(port), strconv.Itoa(int(lowest))+"..65535", "write the port as a number")
		return "", false
	}
	if lowest > 0 && (host == "" || strings.ContainsAny(host, " /\\@")) {
		d.problem(d.where(key), key, "not a host", quoted(host), "a name or an IP address", "write the host before the colon")
		return "", false
	}
	return host, true
}

// named is a key and the name it holds.
type named struct{ key, name string }

// unique reports names that stand twice.
func (d *decoder) unique(all []named, what string) {
	for i, n := range all {
		if n.name == "" || !d.good(n.key) {
			continue
		}
		if j := slices.IndexFunc(all[:i], func(o named) bool { return o.name == n.name && d.good(o.key) }); j >= 0 {
			first := all[j].key
			d.problem(d.where(n.key), n.key, what+" used twice", quoted(n.name)+", also "+first+" at "+d.origin(d.where(first)), "each "+what+" once", "give one of them another "+what)
		}
	}
}

func (d *decoder) checkLine(doc *document, l *line, path string) {
	key := func(k string) string { return join(path, k) }
	if d.good(key("name")) && !fileName(l.Name) {
		d.problem(d.where(key("name")), key("name"), "name not fit for a file and a metric", quoted(l.Name), "at most 32 letters, figures, - and _", "choose a plainer name")
	}
	d.checkStand(doc, l, path)
	d.checkVacuum(l, path)
	d.checkCradle(doc, l, path)
	d.checkDrives(doc, l, path)
	d.checkController(l, path)
	d.checkExceptions(l, path)
	d.checkMapped(l, path)
	d.checkSources(l, path)
	d.fits(l, path, &doc.Units)
	d.checkStations(l, path)
	d.checkSettings(doc, l, path)
	d.checkSpecsOnLine(doc, l, path)
	d.checkSuspect(doc, l, path)
	d.checkCalibrated(l, path)
}

// fileName reports whether the name of a line can name its journal.
func fileName(s string) bool {
	const allowed = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
	return s != "" && len(s) <= 32 && strings.Trim(s, allowed) == ""
}

func (d *decoder) checkStand(doc *document, l *line, path string) {
	papers := make([]string, len(doc.Papers))
	for i, p := range doc.Papers {
		papers[i] = p.Name
	}
	slots := join(path, "stand.slots")
	numbers := make([]named, len(l.Stand.Slots))
	for i, s := range l.Stand.Slots {
		at := join(slots, strconv.Itoa(i))
		numbers[i] = named{at + ".number", strconv.Itoa(s.Number)}
		d.reference(at+".paper", s.Paper, "paper", papers, "papers")
		for k, paper := range s.Papers {
			d.reference(join(at, "papers."+strconv.Itoa(k)), paper, "paper", papers, "papers")
		}
	}
	d.unique(numbers, "slot number")
	if mode := join(path, "equipment.stand"); l.Equipment.Stand.Powered() && len(l.Stand.Slots) == 0 && d.good(slots, mode) {
		d.problem(d.where(slots), slots, "stand without slots", "none", "the slots of a stand that is "+l.Equipment.Stand.String(), "list the slots, or set equipment.stand to manual or absent")
	}
}

// reference reports a name that names nothing.
func (d *decoder) reference(key, name, what string, names []string, section string) {
	if d.good(key, section) && !slices.Contains(names, name) {
		d.problem(d.where(key), key, "unknown "+what, quoted(name), "a name from "+section, meant(name, names))
	}
}

func (d *decoder) checkVacuum(l *line, path string) {
	key, mode := join(path, "vacuum.edges"), join(path, "equipment.vacuum")
	if !d.good(key, mode) {
		return
	}
	edges := l.Vacuum.Edges
	switch {
	case l.Equipment.Vacuum.Powered() && len(edges) == 0:
		d.problem(d.where(key), key, "vacuum without zones", "none", "the edges of vacuum that is "+l.Equipment.Vacuum.String(), "list the edges, or set equipment.vacuum to manual or absent")
	case len(edges) > recipe.MaxZones:
		d.problem(d.where(key), key, "more zones than their field on the wire holds", strconv.Itoa(len(edges)), "at most "+strconv.Itoa(recipe.MaxZones), "join zones")
	}
	for i := 1; i < len(edges); i++ {
		if edges[i] <= edges[i-1] {
			at := join(key, strconv.Itoa(i))
			d.problem(d.where(at), at, "edge not outside the one before", quantity.Format(edges[i], quantity.Length, "mm"), "more than "+quantity.Format(edges[i-1], quantity.Length, "mm"), "list the inner zone first")
		}
	}
}

func (d *decoder) checkCradle(doc *document, l *line, path string) {
	spacing, roll, diameter := join(path, "cradle.spacing"), join(path, "cradle.roll_diameter"), join(path, "limits.diameter")
	show := func(v float64) string { return quantity.Round(v, quantity.Length, doc.Units.Length, 3) }
	if d.good(spacing, roll) && l.Cradle.Spacing <= l.Cradle.RollDiameter {
		d.problem(d.given(spacing, roll), spacing, "turning rolls overlap", show(l.Cradle.Spacing), "more than their diameter of "+show(l.Cradle.RollDiameter), "correct spacing or roll_diameter")
	}
	if d.good(spacing, roll, diameter) {
		if least := l.Cradle.Spacing - l.Cradle.RollDiameter; l.Limits.Diameter.Min <= least {
			d.problem(d.given(diameter, spacing, roll), diameter, "the smallest roll falls between the turning rolls", show(l.Limits.Diameter.Min), "more than the gap of "+show(least), "raise the least diameter, or correct cradle.spacing and cradle.roll_diameter")
		}
	}
}

func (d *decoder) checkDrives(doc *document, l *line, path string) {
	for _, x := range [...]struct {
		name  string
		drive *recipe.Drive
	}{{"turning", &l.Drives.Turning}, {"feed", &l.Drives.Feed}, {"crimper", &l.Drives.Crimper}} {
		at := join(path, "drives."+x.name)
		poles, rated, base, span := at+".poles", at+".rated_speed", at+".base_frequency", at+".frequency"
		if d.good(poles) && x.drive.Poles%2 != 0 {
			d.problem(d.where(poles), poles, "odd number of poles", strconv.Itoa(x.drive.Poles), "an even number", "read it from the motor's plate")
		}
		if !d.good(poles, rated, base) || x.drive.Poles == 0 {
			continue
		}
		synchronous := 2 * x.drive.BaseHz / float64(x.drive.Poles)
		show := func(v float64) string { return quantity.Round(v, quantity.Rotation, doc.Units.Rotation, 2) }
		switch {
		case x.drive.RatedSpeed >= synchronous:
			d.problem(d.given(rated, base, poles), rated, "rated speed not below the synchronous speed", show(x.drive.RatedSpeed), "less than "+show(synchronous), "read rated_speed, base_frequency and poles from the motor's plate")
		case x.drive.RatedSpeed < 0.8*synchronous:
			d.warning(d.given(rated, base, poles), rated, "slip over 20 %", show(x.drive.RatedSpeed), "a little less than "+show(synchronous), "read rated_speed, base_frequency and poles from the motor's plate")
		}
		if d.good(span) && x.drive.Limits.Max > 2*x.drive.BaseHz {
			d.warning(d.where(span), span, "drive may run over twice its base frequency", quantity.Format(x.drive.Limits.Max, quantity.Frequency, ""), "at most "+quantity.Format(2*x.drive.BaseHz, quantity.Frequency, ""), "check the motor's greatest speed")
		}
	}
}

// checkStations warns of stations that have nothing to work on.
func (d *decoder) checkStations(l *line, path string) {
	mode := join(path, "equipment")
	if !d.good(mode) {
		return
	}
	e := l.Equipment
	if e.Header.Powered() && !e.Heads.Present() {
		d.warning(d.where(mode+".header"), mode+".header", "header on a line without heads", "heads absent", "heads manual, semi or auto", "set equipment.heads, or equipment.header to absent")
	}
	if e.Crimp.Powered() && !e.Wrap.Present() {
		d.warning(d.where(mode+".crimp"), mode+".crimp", "crimp on a line that does not wrap", "wrap absent", "wrap manual, semi or auto", "set equipment.wrap, or equipment.crimp to absent")
	}
}

func (d *decoder) checkController(l *line, path string) {
	at := join(path, "controller")
	key := func(k string) string { return join(at, k) }
	c := &l.Controller
	if d.good(key("protocol")) && c.Protocol == OPCUA {
		d.checkOPCUA(c, at)
		d.checkTimes(c, at)
		return
	}
	d.checkModbus(c, at)
	d.checkBases(c, key("bases"))
	d.checkTimes(c, at)
}

func (d *decoder) checkBases(c *Controller, at string) {
	if !d.good(at) {
		return
	}
	type span struct {
		key    string
		from   int
		length int
	}
	blocks := []span{
		{"request", int(c.Bases.Request), handshake.ReqWords},
		{"outcomes", int(c.Bases.Outcomes), handshake.OutEntries * handshake.OutWords},
		{"heartbeat", int(c.Bases.Heartbeat), handshake.HeartbeatWords},
		{"hello", int(c.Bases.Hello), handshake.HelloWords},
		{"payload", int(c.Bases.Payload), handshake.PayloadWords},
		{"commit", int(c.Bases.Commit), handshake.CommitWords},
		{"ack", int(c.Bases.Ack), handshake.AckWords}, {"limits", int(c.Bases.Limits), handshake.LimitsWords},
	}
	show := func(b span) string {
		return b.key + " " + strconv.Itoa(b.from) + ".." + strconv.Itoa(b.from+b.length-1)
	}
	for _, b := range blocks {
		if key := join(at, b.key); b.from+b.length > 1<<16 {
			d.problem(d.where(key), key, "block reaches beyond the last register", show(b), "an end of 65535 at most", "lower the base to "+strconv.Itoa(1<<16-b.length)+" at most")
		}
	}
	slices.SortStableFunc(blocks, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	last := blocks[0]
	for _, b := range blocks[1:] {
		if b.from < last.from+last.length {
			key, other := join(at, b.key), join(at, last.key)
			d.problem(d.given(key, other), key, "blocks overlap", show(b), "registers apart from "+show(last), "move one of them")
		}
		if b.from+b.length > last.from+last.length {
			last = b
		}
	}
}

// checkTimes holds the relations of the handshake between the times of both
// sides.
func (d *decoder) checkTimes(c *Controller, at string) {
	t, p := &c.Times, &c.Program
	const less, least, most = "less than ", "at least ", "at most "
	for _, r := range [...]struct {
		key    string
		value  time.Duration
		word   string
		bound  time.Duration
		of     string
		others []string
	}{
		{"times.verdict", t.Verdict, less, p.CommitTTL, "program.commit_ttl", []string{"program.commit_ttl"}},
		{"times.verdict", t.Verdict, least, 10*p.Scan + 2*t.RequestTimeout, "ten scans and two request timeouts", []string{"program.scan", "times.request_timeout"}},
		{"times.data_stale", t.DataStale, least, 5 * p.Publication, "five publications", []string{"program.publication"}},
		{"times.reconnect_min", t.ReconnectMin, most, t.ReconnectMax, "times.reconnect_max", []string{"times.reconnect_max"}},
		{"times.poll", t.Poll, less, t.DataStale, "times.data_stale", []string{"times.data_stale"}},
		{"program.heartbeat_loss", p.HeartbeatLoss, least, 4 * t.Heartbeat, "four heartbeats", []string{"times.heartbeat"}},
		{"program.commit_ttl", p.CommitTTL, least, t.RequestTimeout + 10*p.Scan + time.Millisecond, "more than a request timeout and ten scans", []string{"times.request_timeout", "program.scan"}},
	} {
		keys := []string{join(at, r.key)}
		for _, o := range r.others {
			keys = append(keys, join(at, o))
		}
		holds := r.value >= r.bound
		switch r.word {
		case less:
			holds = r.value < r.bound
		case most:
			holds = r.value <= r.bound
		}
		if holds || !d.good(keys...) {
			continue
		}
		key := keys[0]
		if _, given := d.at[key]; !given {
			for _, k := range keys[1:] {
				if _, given := d.at[k]; given {
					key = k
				}
			}
		}
		d.problem(d.where(key), key, r.key+" does not go with "+r.of, r.value.String(), r.word+r.bound.String(), "change "+r.key+" or "+list(r.others))
	}
}

// oneMaster reports two lines that would write the same controller.
func (d *decoder) oneMaster(doc *document) {
	all := make([]named, len(doc.Lines))
	for i := range doc.Lines {
		c := &doc.Lines[i].Controller
		key := "lines." + strconv.Itoa(i) + ".controller.address"
		if d.good(key) && c.Address != "" && c.Protocol != OPCUA {
			all[i] = named{key, c.Address + " unit " + strconv.Itoa(c.Unit)}
		}
	}
	d.unique(all, "controller")
	d.oneWriter(doc)
	d.oneLine(doc)
}
