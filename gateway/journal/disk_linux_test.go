package journal_test

import (
	"bufio"
	"encoding/hex"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// call is one system call that changed the files of a folder, or told of a record.
type call struct {
	name   string
	fd     int
	path   string // of open, rename and unlink
	to     string // of rename and link
	data   []byte
	offset int64 // of a write; length of a truncation
	flags  string
	failed bool
	result int
}

// traced runs the child of TestChild under strace and returns what it did, in order.
// inject is a fault as strace takes it, empty for none.
func traced(t *testing.T, journal string, stop uint64, inject string) []call {
	t.Helper()
	out := filepath.Join(t.TempDir(), "calls")
	args := []string{"-f", "-qq", "-xx", "-s", "4000000", "-o", out,
		"-e", "trace=open,openat,close,write,pwrite64,ftruncate,fsync,fdatasync,rename,renameat,renameat2,unlink,unlinkat,linkat"}
	if inject != "" {
		args = append(args, "-e", "inject="+inject)
	}
	cmd := exec.Command("strace", append(args, os.Args[0], "-test.run=^TestChild$")...)
	cmd.Env = append(os.Environ(), childPath+"="+journal, fmt.Sprintf("%s=%d", childStop, stop))
	// How the child ended stands in what it said.
	said, _ := cmd.CombinedOutput()
	f, err := os.Open(out)
	if err != nil {
		t.Fatalf("strace left nothing: %v; the child said %s", err, said)
	}
	defer func() { _ = f.Close() }() // only read from
	calls := parseCalls(t, bufio.NewReaderSize(f, 1<<20))
	if inject == "" && !strings.Contains(string(said), fmt.Sprintf("%d\n", stop)) {
		t.Fatalf("the child did not get to record %d: %s", stop, said)
	}
	return calls
}

func parseCalls(t *testing.T, r *bufio.Reader) []call {
	t.Helper()
	var calls []call
	begun := map[string]string{} // by thread
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return calls
		}
		thread, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		text = strings.TrimSpace(text)
		if head, ok := strings.CutSuffix(text, "<unfinished ...>"); ok {
			begun[thread] = head
			continue
		}
		if strings.HasPrefix(text, "<... ") {
			_, tail, _ := strings.Cut(text, "resumed>")
			text = begun[thread] + tail
		}
		if c, ok := parseCall(text); ok {
			calls = append(calls, c)
		}
	}
}

var quoted = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"`)

// parseCall reads one line of strace, without its thread. It reports false for what
// is no call, or one that failed by itself.
func parseCall(text string) (c call, ok bool) {
	name, rest, ok := strings.Cut(text, "(")
	end := strings.LastIndex(rest, " = ")
	if !ok || end < 0 {
		return c, false
	}
	c.name = name
	result := strings.Fields(rest[end+3:])[0]
	c.result, _ = strconv.Atoi(result)
	c.failed = strings.HasPrefix(result, "-")
	if c.failed && !strings.Contains(rest[end:], "INJECTED") {
		return c, false
	}
	args := strings.TrimSuffix(strings.TrimSpace(rest[:end]), ")")
	var texts [][]byte
	for _, m := range quoted.FindAllStringSubmatch(args, -1) {
		b, err := hex.DecodeString(strings.ReplaceAll(m[1], `\x`, ""))
		if err != nil {
			return c, false
		}
		texts = append(texts, b)
	}
	plain := strings.Split(quoted.ReplaceAllString(args, "S"), ",")
	number := func(i int) int64 {
		n, _ := strconv.ParseInt(strings.TrimSpace(plain[i]), 10, 64)
		return n
	}
	switch c.name {
	case "open":
		c.name, c.path, c.flags = "openat", string(texts[0]), plain[1]
	case "openat":
		c.path, c.flags = string(texts[0]), plain[2]
	case "rename", "renameat", "renameat2", "linkat":
		c.path, c.to = string(texts[0]), string(texts[1])
	case "unlink", "unlinkat":
		c.path = string(texts[0])
	case "write", "pwrite64":
		c.fd, c.data, c.offset = int(number(0)), texts[0][:c.result], -1
		if c.name == "pwrite64" {
			c.offset = number(3)
		}
	case "ftruncate":
		c.fd, c.offset = int(number(0)), number(1)
	default:
		c.fd = int(number(0))
	}
	return c, true
}

const (
	pageSize = 4096 // bytes that the system writes as one
	sector   = 512  // bytes that a disk writes as one
)

// disk is a folder as the system keeps it in memory, and as it is on the platter.
// A page goes there when it is synchronised, or by itself at any time before. A page
// whose synchronisation failed counts as written in memory, and is not.
type disk struct {
	rng     *rand.Rand
	names   map[string]*file // as seen
	durable map[string]*file // on the platter
	pending []naming         // in order, not synchronised yet
	open    map[int]*handle
	acked   uint64 // newest record that was told of
}

type naming struct {
	name string
	file *file // nil when it was removed
}

type file struct {
	cache, platter []byte
	dirty          map[int]bool
}

type handle struct {
	file   *file // nil for a folder
	offset int64
}

func newDisk(seed uint64) *disk {
	return &disk{rng: rand.New(rand.NewPCG(seed, 17)), names: map[string]*file{}, durable: map[string]*file{}, open: map[int]*handle{}}
}

// begin is the start of another process: nothing is open.
func (d *disk) begin() { d.open = map[int]*handle{} }

func (d *disk) name(path string, f *file) {
	if f == nil {
		delete(d.names, path)
	} else {
		d.names[path] = f
	}
	d.pending = append(d.pending, naming{path, f})
}

// do is one call on the files below a folder.
func (d *disk) do(c *call, folder string) {
	in := func(path string) bool { return filepath.Dir(path) == folder && !strings.HasSuffix(path, "-shm") }
	switch c.name {
	case "openat":
		d.opened(c, folder, in)
	case "close":
		delete(d.open, c.fd)
	case "write", "pwrite64":
		if h := d.open[c.fd]; h != nil && h.file != nil {
			h.write(c)
		} else if c.fd == 1 {
			if n, err := strconv.ParseUint(strings.TrimSpace(string(c.data)), 10, 64); err == nil {
				d.acked = n
			}
		}
	case "ftruncate":
		if h := d.open[c.fd]; h != nil && h.file != nil {
			h.file.truncate(int(c.offset))
		}
	case "fsync", "fdatasync":
		if h := d.open[c.fd]; h != nil && h.file != nil {
			h.file.sync(c.failed, d.rng)
		} else if h != nil && !c.failed {
			for _, n := range d.pending {
				d.settle(n)
			}
			d.pending = nil
		}
	case "unlink", "unlinkat":
		if in(c.path) {
			d.name(c.path, nil)
		}
	default: // renamings and links
		if f := d.names[c.path]; f != nil && in(c.path) {
			d.name(c.to, f)
			if c.name != "linkat" {
				d.name(c.path, nil)
			}
		}
	}
}

func (d *disk) opened(c *call, folder string, in func(string) bool) {
	if c.path == folder {
		d.open[c.result] = &handle{}
		return
	}
	if !in(c.path) {
		return
	}
	f := d.names[c.path]
	if f == nil {
		f = &file{dirty: map[int]bool{}}
		d.name(c.path, f)
	}
	if strings.Contains(c.flags, "O_TRUNC") {
		f.truncate(0)
	}
	d.open[c.result] = &handle{file: f}
}

func (d *disk) settle(n naming) {
	if n.file == nil {
		delete(d.durable, n.name)
	} else {
		d.durable[n.name] = n.file
	}
}

func (h *handle) write(c *call) {
	at := c.offset
	if at < 0 {
		at = h.offset
		h.offset += int64(len(c.data))
	}
	f, end := h.file, int(at)+len(c.data)
	if end > len(f.cache) {
		f.cache = append(f.cache, make([]byte, end-len(f.cache))...)
	}
	copy(f.cache[at:], c.data)
	for p := int(at) / pageSize; p*pageSize < end; p++ {
		f.dirty[p] = true
	}
}

func (f *file) truncate(n int) {
	if n < len(f.cache) {
		f.cache = slices.Clone(f.cache[:n])
	} else {
		f.cache = append(f.cache, make([]byte, n-len(f.cache))...)
	}
	f.dirty[n/pageSize] = true
}

// sync writes the pages that are not written. Where it fails, some are.
func (f *file) sync(failed bool, rng *rand.Rand) {
	f.platter = f.written(func(int) (bool, bool) { return !failed || rng.IntN(2) == 0, false }, !failed || rng.IntN(2) == 0, rng)
	f.dirty = map[int]bool{}
}

// written is what stands on the platter when some of the pages were written, whole or
// torn, and perhaps the length.
func (f *file) written(page func(int) (is, torn bool), length bool, rng *rand.Rand) []byte {
	out := slices.Clone(f.platter)
	size := len(out)
	if length {
		size = len(f.cache)
	}
	if size > len(out) {
		out = append(out, make([]byte, size-len(out))...)
	}
	out = out[:size]
	for _, p := range slices.Sorted(maps.Keys(f.dirty)) {
		is, torn := page(p)
		for at := p * pageSize; at < (p+1)*pageSize && is; at += sector {
			if at < size && at < len(f.cache) && (!torn || rng.IntN(2) == 0) {
				copy(out[at:], f.cache[at:min(at+sector, len(f.cache), size)])
			}
		}
	}
	return out
}

// cut writes the folder as it stands after the power was cut now.
func (d *disk) cut(t *testing.T, folder string, rng *rand.Rand) {
	t.Helper()
	names := maps.Clone(d.durable)
	for _, n := range d.pending[:rng.IntN(len(d.pending)+1)] {
		if n.file == nil {
			delete(names, n.name)
		} else {
			names[n.name] = n.file
		}
	}
	for _, path := range slices.Sorted(maps.Keys(names)) {
		content := names[path].written(func(int) (bool, bool) { return rng.IntN(3) > 0, rng.IntN(2) == 0 }, rng.IntN(2) == 0, rng)
		if err := os.WriteFile(filepath.Join(folder, filepath.Base(path)), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
