package mapped

import (
	"errors"
	"slices"
	"testing"

	"lapgate/sim/controller"
	"lapgate/sim/modbus"
)

// scanned is an image after one scan with a roll at the station.
func scanned(t *testing.T) *controller.Image {
	t.Helper()
	image := controller.NewImage(controller.DefaultBases())
	prog := controller.Start(controller.DefaultConfig(), controller.Fresh(), 1)
	m := controller.Measurement{Tag: controller.TagOf("R-1"), Diameter: 12504, Width: 16020, Quality: 95, Valid: true}
	area := image.Copy()
	for tick := range uint32(2) {
		in := controller.Inputs{Permissives: 0x3F, RollPresent: true}
		if tick == 0 {
			in.Enter = &m
		}
		prog.Scan(tick, &area, &in)
		image.Publish(prog)
	}
	return image
}

func tagNamed(t *testing.T, g *glue, name string) (int, *Tag) {
	t.Helper()
	i, ok := g.index[name]
	if !ok {
		t.Fatalf("no variable %s", name)
	}
	return i, &g.tags[i]
}

// The diameter of 1250.4 mm is 449C4CCD in IEEE 754, and stands in the registers
// as the letters of the order say.
func TestOrders(t *testing.T) {
	for order, want := range map[string][]uint16{
		"ABCD": {0x449C, 0x4CCD}, "CDAB": {0x4CCD, 0x449C}, "BADC": {0x9C44, 0xCD4C}, "DCBA": {0xCD4C, 0x9C44},
	} {
		r := &holding{glue: newGlue(scanned(t), nil), conf: Config{Order: order}}
		_, d := tagNamed(t, r.glue, "request.diameter")
		if got, err := r.Read(uint16(d.Address), 2); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: got %04X, %v, want %04X", order, got, err, want)
		}
		_, n := tagNamed(t, r.glue, "hello.nonce")
		if err := r.Write(uint16(n.Address), r.words(n, value{bits: 0x9E3779B9})); err != nil {
			t.Fatal(err)
		}
		if got := r.value(n, r.words(n, value{bits: 0x9E3779B9})); got.bits != 0x9E3779B9 {
			t.Errorf("%s: %X reads back", order, got.bits)
		}
		_, long := tagNamed(t, r.glue, "request.scan_age")
		if got := r.value(long, r.words(long, value{bits: 0x40FE240C9FBE76C9})); got.bits != 0x40FE240C9FBE76C9 {
			t.Errorf("%s: %X reads back", order, got.bits)
		}
	}
}

// The variables of one side stand apart, and half a variable is not written.
func TestAreas(t *testing.T) {
	r := &holding{glue: newGlue(scanned(t), nil)}
	used := map[int]string{}
	for _, tag := range r.glue.tags {
		for k := range tag.registers() {
			at := tag.Address + k
			if other, taken := used[at]; taken && tag.Type != "bool" {
				t.Errorf("%s and %s share register %d", tag.Name, other, at)
			}
			used[at] = tag.Name
		}
	}
	_, feed := tagNamed(t, r.glue, "payload.feed_length")
	var e *controller.AddressError
	if err := r.Write(uint16(feed.Address), []uint16{1}); !errors.As(err, &e) {
		t.Errorf("half a variable was written: %v", err)
	}
	_, d := tagNamed(t, r.glue, "request.diameter")
	if err := r.Write(uint16(d.Address), []uint16{1, 2}); !errors.As(err, &e) {
		t.Errorf("a variable of the controller was written: %v", err)
	}
	if _, err := r.Read(0, 1); !errors.As(err, &e) {
		t.Errorf("a register that is not there was read: %v", err)
	}
}

// A hello that is written in variables opens a session at the program.
func TestHello(t *testing.T) {
	image := scanned(t)
	g := newGlue(image, nil)
	for _, v := range []struct {
		name string
		bits uint64
	}{{"hello.boot_id", 1}, {"hello.nonce", 77}, {"hello.epoch", 5}} {
		i, _ := tagNamed(t, g, v.name)
		if err := g.write(i, value{bits: v.bits}); err != nil {
			t.Fatal(err)
		}
	}
	prog := controller.Start(controller.DefaultConfig(), controller.Fresh(), 1)
	area := image.Copy()
	prog.Scan(10, &area, &controller.Inputs{})
	if got, want := prog.Active(), (controller.Session{Epoch: 5, Nonce: 77}); got != want {
		t.Errorf("session %+v, want %+v", got, want)
	}
}

func TestListen(t *testing.T) {
	s, err := modbus.Listen(t.Context(), "127.0.0.1:0", 1, NewRegisters(scanned(t), Config{}), nil)
	if err != nil {
		t.Fatal(err)
	}
	if s.Addr() == "" {
		t.Error("no address")
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
