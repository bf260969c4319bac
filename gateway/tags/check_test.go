package tags

import (
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
)

// Every name that the tables of this package use is one of a field, and the
// whole of a field and its parts never stand for different things.
func TestNamesAreFields(t *testing.T) {
	var names []string
	names = append(names, Required()...)
	for _, r := range Rests() {
		names = append(names, r.Field)
		for _, g := range r.Breaks {
			if !slices.ContainsFunc(Guarantees(), func(x Guarantee) bool { return x.Name == g }) {
				t.Errorf("%s breaks %s, which is no guarantee", r.Field, g)
			}
		}
	}
	for _, s := range scratch() {
		names = append(names, s[:]...)
	}
	for _, n := range names {
		if _, ok := Find(n); !ok {
			t.Errorf("%s is no field", n)
		}
	}
	seen := map[string]bool{}
	for _, f := range Fields() {
		if seen[f.Name] {
			t.Errorf("%s stands twice", f.Name)
		}
		seen[f.Name] = true
		if f.Info.Unit != "" && len(f.Units()) == 0 {
			t.Errorf("%s is in %s, for which no unit is known", f.Name, f.Info.Unit)
		}
		if s := f.steps() * f.Info.Scale; s < 0.999999 || s > 1.000001 {
			t.Errorf("%s: %v steps of %v", f.Name, f.steps(), f.Info.Scale)
		}
	}
	if len(seen) < 130 {
		t.Errorf("only %d fields", len(seen))
	}
}

// Every guarantee rests on some field; one without any could never be given
// up, and so would be claimed of every controller.
func TestEveryGuaranteeRestsOnAField(t *testing.T) {
	empty := &Mapping{}
	for i, l := range empty.Losses() {
		if want := Guarantees()[i].Name; l.Guarantee.Name != want {
			t.Errorf("loss %d is %s, want %s", i, l.Guarantee.Name, want)
		}
	}
	if n := len(empty.Losses()); n != 10 {
		t.Errorf("%d of 10 guarantees can be given up", n)
	}
	all := &Mapping{}
	for _, f := range Fields() {
		if f.Form != OneBit {
			all.Tags = append(all.Tags, Tag{Field: f.Name})
		}
	}
	if got := all.Losses(); len(got) > 0 {
		t.Errorf("with every field mapped %v is not given", got)
	}
}

// Taking one field away from a whole mapping loses exactly the guarantees of
// its row.
func TestOneFieldLess(t *testing.T) {
	for _, r := range Rests() {
		m := &Mapping{}
		whole, _, bit := strings.Cut(r.Field, ".bit")
		for _, f := range Fields() {
			if f.Name != r.Field && f.Name != whole && (f.Form != OneBit || bit && strings.HasPrefix(f.Name, whole+".")) {
				m.Tags = append(m.Tags, Tag{Field: f.Name})
			}
		}
		var got []string
		for _, l := range m.Losses() {
			got = append(got, l.Guarantee.Name)
		}
		if !slices.Equal(got, r.Breaks) {
			t.Errorf("without %s: lost %v, want %v", r.Field, got, r.Breaks)
		}
	}
}

func TestParseRegister(t *testing.T) {
	for n, want := range map[int]int{40001: 0, 40108: 107, 49999: 9998, 400001: 0, 400108: 107, 465536: 65535} {
		if got, err := ParseRegister(n); err != nil || got != want {
			t.Errorf("register %d: got %d, %v, want %d", n, got, err, want)
		}
	}
	for n, want := range map[int]string{0: "address: 0", 107: "address: 107", 40000: "address: 40000", 30001: "input register", 365536: "input register", 465537: "address:"} {
		if _, err := ParseRegister(n); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("register %d: got %v, want %q", n, err, want)
		}
	}
	for _, address := range []int{0, 107, 9998, 9999, 65535} {
		if got, err := ParseRegister(RegisterNumber(address)); err != nil || got != address {
			t.Errorf("address %d as register %d reads back as %d, %v", address, RegisterNumber(address), got, err)
		}
	}
}

// A field is put where the codec of the blocks looks for it.
func TestFieldsStandWhereTheBlocksHaveThem(t *testing.T) {
	words := make([]uint16, handshake.ReqWords)
	r := handshake.Request{
		RollNo: 1190, Tag: "R2026-001190", Flags: handshake.GatewayAlive | handshake.DimensionsValid,
		Diameters: [12]uint16{11: 12345}, Permissives: 1 << 31,
	}
	if err := r.Encode(words); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]int64{
		"request.roll_no": 1190, "request.flags.bit4": 1, "request.flags.bit5": 1, "request.flags.bit1": 0,
		"request.diameter_samples.12": 12345, "request.permissives.bit31": 1, "request.permissives.bit0": 0,
	} {
		f, ok := Find(name)
		if got := f.Get(words); !ok || got != want {
			t.Errorf("%s is %d, want %d", name, got, want)
		}
	}
	tagField, _ := Find("request.roll_tag")
	if got := tagField.Letters(words); got != string(r.Tag) {
		t.Errorf("tag %q, want %q", got, r.Tag)
	}
	payload := make([]uint16, handshake.PayloadWords)
	p := handshake.Payload{Centring: -12}
	if err := p.Encode(payload); err != nil {
		t.Fatal(err)
	}
	centring, _ := Find("payload.centring_offset")
	if got := centring.Get(payload); got != -12 {
		t.Errorf("centring %d, want -12", got)
	}
}
