package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"lapgate/configs"
	"lapgate/sim/controller"
	"lapgate/sim/modbus"
	"lapgate/sim/registers"
)

// polled counts the reads of the request block of a controller at rest.
type polled struct {
	*controller.Image
	polls atomic.Int64
}

// Read counts.
func (p *polled) Read(addr uint16, count int) ([]uint16, error) {
	if addr == p.Bases().Of(registers.Request) {
		p.polls.Add(1)
	}
	return p.Image.Read(addr, count)
}

// controllers serves n controllers at rest, whose programs run until ctx ends.
func controllers(ctx context.Context, n int) (all []*polled, addresses []string, err error) {
	var programs []*controller.Controller
	for range n {
		p := &polled{Image: controller.NewImage(controller.DefaultBases())}
		s, err := modbus.Listen(ctx, "127.0.0.1:0", 1, p, nil)
		if err != nil {
			return nil, nil, err
		}
		context.AfterFunc(ctx, func() { _ = s.Close() })
		all, addresses = append(all, p), append(addresses, s.Addr())
		programs = append(programs, controller.Start(controller.DefaultConfig(), controller.Fresh(), 1))
	}
	scan := func(at time.Duration) {
		for i, c := range programs {
			area := all[i].Copy()
			c.Scan(uint32(at/controller.Tick), &area, &controller.Inputs{Permissives: 0x3F, Mode: 1})
			all[i].Publish(c)
		}
	}
	scan(0)
	go func() {
		begun, ticker := time.Now(), time.NewTicker(200*time.Millisecond)
		defer ticker.Stop()
		for ctx.Err() == nil {
			<-ticker.C
			scan(time.Since(begun))
		}
	}()
	return all, addresses, nil
}

// linesFile writes a configuration that has the demo's line once for each address.
func linesFile(path string, addresses []string) error {
	head, line, ok := strings.Cut(string(configs.Demo()), "\nlines:\n")
	if !ok {
		return fmt.Errorf("the demo's configuration has no lines")
	}
	text := head + "\nlines:\n"
	for i, a := range addresses {
		text += strings.NewReplacer("name: north", "name: line-"+strconv.Itoa(i), "127.0.0.1:1502", a).Replace(line)
	}
	return os.WriteFile(path, []byte(text), 0o600)
}

// daemon is a running lapgate over controllers at rest.
type daemon struct {
	*exec.Cmd
	said  bytes.Buffer
	polls []*polled
	up    time.Duration // until each line was polled
	took  time.Duration // processor time until then
}

// startDaemon serves the configuration in a folder and waits until every line is polled.
func (b *bench) startDaemon(ctx context.Context, dir string, all []*polled) (*daemon, error) {
	d := &daemon{polls: all}
	d.Cmd = exec.CommandContext(ctx, b.binary, "run", "--config", filepath.Join(dir, "lines.yaml"), "--set", "status.listen=none",
		"--set", "log.level=error", "--set", "journal.directory="+filepath.Join(dir, "journal"), "--set", "journal.least_free=0")
	d.Stderr = &d.said
	for _, p := range all {
		p.polls.Store(0)
	}
	begun := time.Now()
	if err := d.Start(); err != nil {
		return nil, err
	}
	for _, p := range all {
		for p.polls.Load() == 0 {
			if time.Since(begun) > 2*time.Minute {
				return nil, fmt.Errorf("not every line is polled after 2 minutes: %s", d.said.String())
			}
			time.Sleep(time.Millisecond)
		}
	}
	d.up = time.Since(begun)
	var err error
	d.took, err = processorTime(d.Process.Pid)
	return d, err
}

// end stops the daemon as its service manager does.
func (d *daemon) end() error {
	if err := d.Process.Signal(os.Interrupt); err != nil {
		return err
	}
	return d.Wait()
}

// manyLines measures lines that wait for rolls, as one daemon serves them.
func manyLines(ctx context.Context, b *bench) (rows []row, err error) {
	for _, n := range []int{1, 500} {
		of, err := b.idle(ctx, n)
		if err != nil {
			return rows, err
		}
		rows = append(rows, of...)
	}
	return rows, nil
}

func (b *bench) idle(ctx context.Context, n int) ([]row, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	all, addresses, err := controllers(ctx, n)
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(b.dir, "lines-"+strconv.Itoa(n))
	if err := os.MkdirAll(filepath.Join(dir, "journal"), 0o700); err != nil {
		return nil, err
	}
	if err := linesFile(filepath.Join(dir, "lines.yaml"), addresses); err != nil {
		return nil, err
	}
	checked, err := b.check(ctx, filepath.Join(dir, "lines.yaml"))
	if err != nil {
		return nil, err
	}
	first, err := b.startDaemon(ctx, dir, all)
	if err != nil {
		return nil, err
	}
	if err := first.end(); err != nil {
		return nil, fmt.Errorf("the daemon: %w\n%s", err, first.said.String())
	}
	bare, err := bareStart(ctx, filepath.Join(dir, "bare"), n)
	if err != nil {
		return nil, err
	}
	d, err := b.startDaemon(ctx, dir, all)
	if err != nil {
		return nil, err
	}
	const settle, watch = 5 * time.Second, 15 * time.Second
	time.Sleep(settle)
	before, err := processorTime(d.Process.Pid)
	if err != nil {
		return nil, err
	}
	time.Sleep(watch)
	after, err := processorTime(d.Process.Pid)
	if err != nil {
		return nil, err
	}
	resident, own, most, err := memory(d.Process.Pid)
	if err != nil {
		return nil, err
	}
	if err := d.end(); err != nil {
		return nil, fmt.Errorf("the daemon: %w\n%s", err, d.said.String())
	}
	name := map[bool]string{true: "one line idle", false: strconv.Itoa(n) + " lines idle"}[n == 1]
	return []row{
		{strings.TrimSuffix(name, " idle") + ", check of the configuration", fmt.Sprintf("%.2f s", checked.Seconds()), "", "processor time of the whole command, least of 3"},
		{name + ", memory", fmt.Sprintf("%d MB, of that %d MB its own (most %d MB)", resident, own, most), map[int]string{1: "< 30 MB", 500: "< 150 MB"}[n], "resident memory of the daemon, 20 s after its second start; the rest of it are pages of files, most of them of the program"},
		{name + ", processor", fmt.Sprintf("%.2f of a core", (after-before).Seconds()/watch.Seconds()), "< 1 core", "10 polls a second of each line"},
		{name + ", start", fmt.Sprintf("%.0f ms with its journals, %.0f ms with new ones", 1e3*d.up.Seconds(), 1e3*first.up.Seconds()), map[int]string{500: "< 300 ms"}[n], "from the start of the process until every line was polled"},
		{name + ", start, over bare SQLite", fmt.Sprintf("%.1f (%.0f over %.0f ms); processor time %.0f ms", d.up.Seconds()/bare.Seconds(), 1e3*d.up.Seconds(), 1e3*bare.Seconds(), 1e3*d.took.Seconds()), "", "with its journals, over as many tables opened and one record made durable in each"},
	}, nil
}

// check is the processor time in which a configuration is read and checked, the least of 3.
func (b *bench) check(ctx context.Context, path string) (time.Duration, error) {
	least := time.Hour
	for range 3 {
		cmd := exec.CommandContext(ctx, b.binary, "check", path)
		if out, err := cmd.CombinedOutput(); err != nil {
			return 0, fmt.Errorf("check: %w\n%s", err, out)
		}
		least = min(least, cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime())
	}
	return least, nil
}

// processorTime is what a running process took so far.
func processorTime(pid int) (time.Duration, error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
	if err != nil {
		return 0, err
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	const user, system = 11, 12 // of the fields after the name
	var ticks time.Duration
	for _, i := range []int{user, system} {
		n, err := strconv.Atoi(fields[i])
		if err != nil {
			return 0, err
		}
		ticks += time.Duration(n)
	}
	return ticks * 10 * time.Millisecond, nil
}

// memory is the resident memory of a running process, what of it is its own and of no file,
// and the most it had, in MB.
func memory(pid int) (resident, own, most int, err error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "status"))
	if err != nil {
		return 0, 0, 0, err
	}
	for line := range strings.Lines(string(text)) {
		fields := strings.Fields(line)
		for key, into := range map[string]*int{"VmRSS:": &resident, "RssAnon:": &own, "VmHWM:": &most} {
			if len(fields) > 1 && fields[0] == key {
				kilobytes, err := strconv.Atoi(fields[1])
				if err != nil {
					return 0, 0, 0, err
				}
				*into = kilobytes / 1024
			}
		}
	}
	return resident, own, most, nil
}
