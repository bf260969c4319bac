package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"lapgate/gateway/tags"
	"lapgate/recipe/quantity"
)

// Profile is what a controller offers.
type Profile string

// The profiles: the blocks of the handshake, or tags of its own for the fields
// of the blocks.
const (
	ProfileBlocks Profile = "blocks"
	ProfileMapped Profile = "mapped"
)

// notSaid stands for an order of bytes that is not given.
const notSaid = "none"

// Mapped is the list of tags of a controller that cannot take the blocks.
type Mapped struct {
	WordOrder string      `cfg:"word_order" one_of:"none,ABCD,CDAB,BADC,DCBA" default:"none" doc:"how the bytes of 32 bits stand in two registers, A the most significant, and of 64 bits likewise; it is never guessed; none, ABCD, CDAB, BADC or DCBA"`
	TextOrder string      `cfg:"text_order" one_of:"none,AB,BA" default:"none" doc:"AB where the high byte of a register holds the first of two characters, else BA; none, AB or BA"`
	Waive     []string    `cfg:"waive" one_of:"S1,S2,S3,S4,S5,S6,S7,S8,S9,S10" optional:"true" doc:"guarantees of the handshake that are given up because the controller lacks what they rest on"`
	Tags      []MappedTag `cfg:"tags" optional:"true" doc:"the tags, each with the field of a block that it stands for"`
}

// MappedTag is one tag of a controller.
type MappedTag struct {
	Field    string  `cfg:"field" doc:"block and field, as lapgate tags fields lists them"`
	Type     string  `cfg:"type" one_of:"bool,int16,uint16,int32,uint32,int64,uint64,float32,float64,text" doc:"how it stands in the controller"`
	Register int     `cfg:"register" optional:"true" doc:"number of the holding register as manuals print it, 40001..49999 or 400001..465536"`
	Address  uint32  `cfg:"address" optional:"true" doc:"the same counted from zero; one of register and address"`
	Node     string  `cfg:"node" optional:"true" doc:"identifier of the node, for protocol opcua, pasted as it is"`
	Bit      int     `cfg:"bit" optional:"true" doc:"bit of the register that a bool is, 0 the least significant"`
	Length   int     `cfg:"length" optional:"true" doc:"characters that a text has room for"`
	Scale    float64 `cfg:"scale" default:"1" range:"0.000000001..1000000000" doc:"number in unit = number in the controller × scale"`
	Unit     string  `cfg:"unit" optional:"true" doc:"unit of the number, for a field that has one"`
}

// checkMapped checks the tags of a line against its controller, and keeps them
// for the snapshot.
func (d *decoder) checkMapped(l *line, path string) {
	at, profile := join(path, "mapped"), join(path, "controller.profile")
	protocol := join(path, "controller.protocol")
	if !d.good(profile, protocol) {
		return
	}
	if l.Controller.Profile != ProfileMapped {
		if len(l.Mapped.Tags) > 0 {
			d.warning(d.where(join(at, "tags")), join(at, "tags"), "tags that are not used", "profile "+string(l.Controller.Profile), "profile mapped", "set controller.profile to mapped, or remove the tags")
		}
		return
	}
	if !d.good(at) {
		return
	}
	over := tags.Registers
	if l.Controller.Protocol == OPCUA {
		over = tags.Nodes
	}
	m := &tags.Mapping{Waived: l.Mapped.Waive}
	if l.Mapped.WordOrder != notSaid {
		m.Order = tags.Order(l.Mapped.WordOrder)
	}
	if l.Mapped.TextOrder != notSaid {
		m.TextOrder = tags.TextOrder(l.Mapped.TextOrder)
	}
	sound := true
	for i := range l.Mapped.Tags {
		t, ok := d.tagOf(&l.Mapped.Tags[i], join(at, "tags."+strconv.Itoa(i)))
		m.Tags = append(m.Tags, t)
		sound = sound && ok
	}
	if !sound {
		return
	}
	for _, p := range m.Check(over) {
		key := join(at, p.Key)
		if p.Index >= 0 {
			key = join(at, "tags."+strconv.Itoa(p.Index)+"."+p.Key)
			address := join(at, "tags."+strconv.Itoa(p.Index)+".address")
			if _, counted := d.at[address]; p.Key == "register" && counted {
				key = address
			}
			if p.Text == tags.UnknownField {
				p.Remedy = meantField(l.Mapped.Tags[p.Index].Field, p.Remedy)
			}
		}
		d.problem(d.where(key), key, p.Text, p.Got, p.Want, p.Remedy)
	}
	if !d.good(at) {
		return
	}
	d.warnOfLosses(m, at)
	l.mapping = m
}

// meantField is a remedy that names the closest field.
func meantField(name, remedy string) string {
	var names []string
	for _, f := range tags.Fields() {
		if f.Form != tags.OneBit {
			names = append(names, f.Name)
		}
	}
	if near := quantity.Nearest(name, names); near != "" {
		return "did you mean " + near + "?"
	}
	return remedy
}

// tagOf makes a tag of what was written. Two notations of one address, or a
// register number that is none, are problems of their own.
func (d *decoder) tagOf(c *MappedTag, at string) (tags.Tag, bool) {
	t := tags.Tag{
		Field: c.Field, Type: tags.Type(c.Type), Scale: c.Scale, Unit: c.Unit,
		Length: c.Length, Address: -1, Bit: -1, Node: c.Node,
	}
	has := func(key string) bool { _, given := d.at[join(at, key)]; return given }
	if has("bit") {
		t.Bit = c.Bit
	}
	register, address := join(at, "register"), join(at, "address")
	switch {
	case has("register") && has("address"):
		d.problem(d.where(address), address, "address given in both notations", fmt.Sprintf("register %d and address %d", c.Register, c.Address), "one of them", "keep the one that the manual of the controller uses")
		return t, false
	case has("register"):
		n, err := tags.ParseRegister(c.Register)
		var wrong *tags.RegisterError
		if errors.As(err, &wrong) {
			d.problem(d.where(register), register, "not the number of a holding register", strconv.Itoa(c.Register), tags.HoldingRegisters, wrong.Remedy)
			return t, false
		}
		t.Address = n
	case has("address"):
		const last = 65535
		if c.Address > last {
			d.problem(d.where(address), address, "address out of range", strconv.FormatUint(uint64(c.Address), 10), "0..65535", "count from zero; for a register number as manuals print it write register:")
			return t, false
		}
		t.Address = int(c.Address)
	}
	return t, true
}

// warnOfLosses tells which guarantees the tags give up, and what the gateway
// takes for the fields that have none.
func (d *decoder) warnOfLosses(m *tags.Mapping, at string) {
	key := join(at, "waive")
	for _, l := range m.Losses() {
		d.warning(d.where(key), key, l.Guarantee.Name+" is not given: "+l.Guarantee.Text,
			"no tag for "+strings.Join(l.Missing, ", "), "a tag for each", "without them "+strings.Join(l.Why, "; "))
	}
	var assumed []string
	for _, r := range m.Missing() {
		if len(r.Breaks) == 0 {
			assumed = append(assumed, r.Field+" ("+r.StandIn+")")
		}
	}
	tags := join(at, "tags")
	if len(assumed) > 0 {
		d.warning(d.where(tags), tags, "fields that are assumed", strings.Join(assumed, ", "), "a tag for each", "add the tags where the controller has them")
	}
	if unsent := m.Unsent(); len(unsent) > 0 {
		d.warning(d.where(tags), tags, "setpoints that the controller does not get", strings.Join(unsent, ", "), "a tag for each that its equipment uses", "add the tags where the controller takes them")
	}
}
