package gateway_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"lapgate/gateway/record"
	"lapgate/gateway/scan"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/sim/controller"
)

// drop is a folder into which a test drops files.
type drop struct {
	mu    sync.Mutex
	files fstest.MapFS
}

func (d *drop) Open(name string) (fs.File, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.files.Open(name)
}

func (d *drop) put(name, text string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	next := fstest.MapFS{}
	for k, v := range d.files {
		next[k] = v
	}
	next[name] = &fstest.MapFile{Data: []byte(text), ModTime: time.Now()}
	d.files = next
}

// decided is what was measured and found for each roll, in order.
type decided struct {
	measured recipe.Roll
	findings []recipe.Finding
}

func (s *shop) decided() (out []decided) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.records {
		switch r := r.Record.(type) {
		case record.Request:
			out = append(out, decided{measured: r.Measured})
		case record.Intent:
			if n := len(out); n > 0 {
				out[n-1].findings = r.Findings
			}
		}
	}
	return out
}

// found reports whether a finding has the code.
func found(fs []recipe.Finding, c recipe.Code) bool {
	return slices.ContainsFunc(fs, func(f recipe.Finding) bool { return f.Code == c })
}

func TestOrders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(0), fitting(1), fitting(2), fitting(3))
		s := newShop(t, b, map[string]string{"lines.0.orders.directory": "drop", "lines.0.orders.poll": "0.2 s"})
		d := &drop{}
		d.put("monday.csv", "roll,order,spec,width (mm)\nR-000,O-1,export,812.8\n")
		o := s.options()
		o.OpenOrders = func(directory string) fs.FS {
			if directory != "drop" {
				t.Errorf("the folder %q was opened", directory)
			}
			return d
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		_, stop := s.start(o)
		outcomes := func(n int) func() bool { return func() bool { return s.count(record.KindOutcome) == n } }

		until(t, time.Minute, "the first roll gone", outcomes(1))
		d.put("tuesday.csv", "roll,order,spec\nR-001,O-2,export\nR-002,O-3,exp") // half written
		until(t, time.Minute, "the second roll gone", outcomes(2))
		d.put("tuesday.csv", "roll,order,spec\nR-001,O-2,export\nR-002,O-3,light\n")
		until(t, time.Minute, "the third roll gone", outcomes(3))
		d.put("wednesday.csv", "roll,order,spec,width (mm)\nR-003,O-4,export,1500\n") // another roll than the one that comes
		until(t, time.Minute, "the fourth roll gone", outcomes(4))
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		got := s.decided()
		if len(got) != 4 {
			t.Fatalf("%d rolls decided, want 4", len(got))
		}
		if x := got[0].measured.Order; x == nil || x.ID != "O-1" || x.Spec != "export" || x.Width != 0.8128 {
			t.Errorf("first roll: order %+v, want O-1", x)
		}
		if got[0].measured.OrderMissing || found(got[0].findings, check.OrderMissing) {
			t.Error("first roll: an order is called missing")
		}
		if x := got[1].measured.Order; x != nil || !found(got[1].findings, check.OrderMissing) {
			t.Errorf("second roll: order %+v out of a half-written file, findings %v", x, got[1].findings)
		}
		if x := got[2].measured.Order; x == nil || x.ID != "O-3" {
			t.Errorf("third roll: order %+v, want O-3", x)
		}
		if !found(got[3].findings, check.OrderWidth) || !recipe.Held(got[3].findings) {
			t.Errorf("fourth roll: findings %v, want its width held against the order", got[3].findings)
		}
		if n := s.logged("the orders stay as they were"); n != 1 {
			t.Errorf("the half-written file was told of %d times, want once", n)
		}
	})
}

// Orders are read by the grades in force, those of a reload too.
func TestOrdersAfterReload(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		set := map[string]string{"lines.0.orders.directory": "drop", "lines.0.orders.poll": "0.2 s"}
		b := newBench(fitting(0))
		b.pause = 20 * time.Second
		s := newShop(t, b, set)
		d := &drop{}
		o := s.options()
		o.OpenOrders = func(string) fs.FS { return d }
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(o)
		<-time.After(time.Second) // of virtual time
		set["journal.directory"], set["grades.0.name"] = s.snapshot.Journal.Directory, "glossy"
		if err := reload(g, snapshot(t, t.TempDir(), set), "test"); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Second) // of virtual time
		d.put("monday.csv", "roll,order,grade\nR-000,O-1,glossy\n")
		until(t, time.Minute, "the roll gone", func() bool { return s.count(record.KindOutcome) == 1 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		if got := s.decided(); len(got) != 1 || got[0].measured.Order == nil || got[0].measured.Order.ID != "O-1" {
			t.Errorf("got %+v, %d complaints", got, s.logged("the orders stay as they were"))
		}
	})
}

// gauge is a scanner behind pipes: one connection after the other.
type gauge struct {
	dials chan net.Conn
}

func (g *gauge) dial(context.Context, string, string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case g.dials <- there:
		return here, nil
	default:
		return nil, errors.New("the scanner is off")
	}
}

func TestScanner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		twin := func() controller.Measurement { return measurement("TWIN", 11000, 8128) }
		b := newBench(fitting(0), fitting(3), fitting(6), twin(), twin(), fitting(9))
		s := newShop(t, b, map[string]string{"lines.0.scanner.address": "192.0.2.7:9100"})
		g := &gauge{dials: make(chan net.Conn, 1)}
		o := s.options()
		o.DialScanner = g.dial
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		_, stop := s.start(o)
		conn := <-g.dials
		send := func(text string) {
			t.Helper()
			if _, err := conn.Write([]byte(text)); err != nil {
				t.Error(err)
			}
		}
		gone := func(n int) {
			t.Helper()
			until(t, 2*time.Minute, fmt.Sprintf("%d rolls gone", n), func() bool { return s.count(record.KindOutcome) == n })
		}
		after := func(d time.Duration) { <-time.After(d) } // of virtual time

		// A reading that is there before the roll, in two pieces.
		send("R-000 1101.0 81")
		after(100 * time.Millisecond)
		send("3.0\r\nnonsense\r\n")
		gone(1)
		// One that comes while the roll waits for it: two seconds between
		// rolls, and one more. In between the line is cut.
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		conn = <-g.dials
		after(3 * time.Second)
		if n := s.count(record.KindRequest); n != 1 {
			t.Errorf("%d rolls decided, want the second to wait for its reading", n)
		}
		send("2 1111.0 813.1\r\n") // by number
		gone(2)
		// None at all, but one of a roll that never comes. It is told of when its
		// window has passed, four rolls later.
		send("GHOST 1100.0 812.8\r\n")
		gone(3)
		// One when two rolls bear its tag.
		gone(4)
		after(3 * time.Second)
		send("TWIN 1100.0 812.8\r\n")
		gone(5)
		// One far from what the controller measured.
		send("R-009 1300.0 812.8\r\n")
		gone(6)
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		got := s.decided()
		if len(got) != 6 {
			t.Fatalf("%d rolls decided, want 6", len(got))
		}
		for i, want := range []struct {
			from            string
			diameter, width float64
		}{
			{scan.MeasuredByScanner, 1.101, 0.813}, {scan.MeasuredByScanner, 1.111, 0.8131}, {scan.MeasuredByController, 1.1222, 0.8128},
			{scan.MeasuredByController, 1.1, 0.8128}, {scan.MeasuredByController, 1.1, 0.8128}, {scan.MeasuredByScanner, 1.3, 0.8128},
		} {
			m := &got[i].measured
			if m.MeasuredFrom != want.from || m.Diameter-want.diameter > 1e-9 || want.diameter-m.Diameter > 1e-9 || m.Width-want.width > 1e-9 || want.width-m.Width > 1e-9 {
				t.Errorf("roll %d: %g × %g m by %s, want %+v", i+1, m.Diameter, m.Width, m.MeasuredFrom, want)
			}
		}
		for i, want := range [][]recipe.Code{
			nil, nil, {check.ScannerMissing}, {check.ScannerMissing}, {check.ScannerTwoRolls}, {check.ScannerNoRoll, check.ScanQuality},
		} {
			for _, c := range []recipe.Code{check.ScannerMissing, check.ScannerNoRoll, check.ScannerTwoRolls, check.ScannerDiffers, check.ScanQuality} {
				if has := found(got[i].findings, c); has != slices.Contains(want, c) {
					t.Errorf("roll %d: finding %s is %t", i+1, c, has)
				}
			}
		}
		if n := s.logged("a message of the scanner is no reading"); n != 1 {
			t.Errorf("nonsense was told of %d times, want once", n)
		}
	})
}

// In shadow a roll waits for its reading as well.
func TestScannerInShadow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(0))
		s := newShadow(t, b, map[string]string{"lines.0.scanner.address": "192.0.2.7:9100"})
		g := &gauge{dials: make(chan net.Conn, 1)}
		o := s.options()
		o.DialScanner = g.dial
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		gw, stop := s.start(o)
		conn := <-g.dials
		<-time.After(3 * time.Second) // of virtual time: one of the roll's
		if n := s.count(record.KindShadow); n != 0 {
			t.Errorf("%d recipes before the reading", n)
		}
		if _, err := conn.Write([]byte("R-000 1101.0 813.0\r\n")); err != nil {
			t.Error(err)
		}
		until(t, time.Second, "the recipe", func() bool { return s.count(record.KindShadow) == 1 })

		// What would need another connection is not taken over by a reload.
		for key, value := range map[string]string{"scanner.window": "20 s", "orders.directory": "drop"} {
			next := snapshot(t, t.TempDir(), map[string]string{"journal.directory": s.snapshot.Journal.Directory,
				"lines.0.scanner.address": "192.0.2.7:9100", "lines.0." + key: value})
			if err := reload(gw, next, "test"); err == nil || !strings.Contains(err.Error(), "lines.0."+key+": would change from ") {
				t.Errorf("reload with another %s: %v", key, err)
			}
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		if got := s.decided(); len(got) != 1 || got[0].measured.MeasuredFrom != scan.MeasuredByScanner || got[0].measured.Diameter != 1.101 {
			t.Errorf("got %+v", got)
		}
	})
}
