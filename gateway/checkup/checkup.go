// Package checkup looks at what a daemon rests on beside its controllers: files and
// their owner, room, clock, certificates, ports and journals. It only reads.
package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/inspect"
	"lapgate/gateway/journal"
)

// System is what is asked of the operating system.
type System struct {
	// Lookup finds a variable of the environment.
	Lookup func(string) (string, bool)
	// Free tells the bytes that are free on the disk of a folder.
	Free func(folder string) (uint64, error)
	// Clock tells how well the clock is kept.
	Clock func() (Clock, error)
	Now   func() time.Time
}

// Clock is how well the clock of this machine is kept.
type Clock struct {
	Synchronised bool
	MaxError     time.Duration // as the system estimates it; 0 where it does not
}

// patience is how long a socket of this machine is waited for.
const patience = 2 * time.Second

// megabyte is that of the configuration, in bytes.
const megabyte = 1e6

// soon is how long before the end of a certificate it is warned of.
const soon = 30 * 24 * time.Hour

// checkup is one look.
type checkup struct {
	system System
	config *config.Snapshot
	items  []inspect.Item
}

// Look looks at everything, in a fixed order.
func Look(ctx context.Context, s *config.Snapshot, system System) []inspect.Item {
	c := &checkup{system: system, config: s}
	c.files()
	c.secrets()
	c.room()
	c.clock()
	c.certificates()
	c.ports(ctx)
	c.engine(ctx)
	for i := range s.Lines {
		c.journal(ctx, s.Lines[i].Recipe.Name)
	}
	return c.items
}

func (c *checkup) add(v inspect.Verdict, subject, got, want, remedy string) {
	c.items = append(c.items, inspect.Item{Verdict: v, Subject: subject, Got: got, Want: want, Remedy: remedy})
}

// secrets reads what the daemon reads at its start.
func (c *checkup) secrets() {
	for _, s := range c.config.Secrets() {
		subject := "secret " + s.Key
		if _, err := config.ReadSecret(s.Source, c.system.Lookup); err != nil {
			c.add(inspect.Fail, subject, err.Error(), "readable by this account alone", "let the account of the daemon own the file, with mode 0600, and run doctor as that account; a variable stands in its environment")
			continue
		}
		c.add(inspect.OK, subject, "readable by this account alone", "", "")
	}
}

func (c *checkup) room() {
	folder := c.config.Journal.Directory
	const subject = "room on the disk of the journals"
	free, err := c.system.Free(folder)
	switch least := uint64(c.config.Journal.LeastFree) * megabyte; {
	case errors.Is(err, errors.ErrUnsupported):
		c.add(inspect.Note, subject, "not told by this system", "", "")
	case errors.Is(err, fs.ErrNotExist):
		c.add(inspect.Note, subject, "the folder is not there yet", "", "")
	case err != nil:
		c.add(inspect.Fail, subject, err.Error(), "a disk that answers", "see to the disk of "+folder)
	case free < least:
		c.add(inspect.Fail, subject, fmt.Sprintf("%d MB free", free/megabyte), fmt.Sprintf("%d MB at least", least/megabyte), "make room: move old archives and what was set aside elsewhere")
	default:
		c.add(inspect.OK, subject, fmt.Sprintf("%d MB free", free/megabyte), "", "")
	}
}

func (c *checkup) clock() {
	const subject = "clock"
	k, err := c.system.Clock()
	now := c.system.Now().Format("2006-01-02 15:04:05 MST")
	switch {
	case errors.Is(err, errors.ErrUnsupported):
		c.add(inspect.Note, subject, now+"; this system does not tell whether it is kept", "", "")
	case err != nil:
		c.add(inspect.Warn, subject, now+"; "+err.Error(), "a clock that is kept", "look at the time service of this machine")
	case !k.Synchronised:
		c.add(inspect.Fail, subject, now+", not synchronised", "kept by a time service", "start the time service (chrony, systemd-timesyncd) and name a server that it reaches; the times of the records are of this clock")
	case k.MaxError > time.Second:
		c.add(inspect.Warn, subject, fmt.Sprintf("%s, to within %s", now, k.MaxError.Round(time.Millisecond)), "to within a second", "let the time service reach its server")
	default:
		c.add(inspect.OK, subject, fmt.Sprintf("%s, synchronised to within %s", now, k.MaxError.Round(time.Millisecond)), "", "")
	}
}

// certificates looks at when each ends.
func (c *checkup) certificates() {
	for i := range c.config.Lines {
		l := &c.config.Lines[i]
		for _, e := range connect.CertificateEnds(l) {
			c.certificate("line "+l.Recipe.Name+": "+strings.TrimSuffix(e.Text, ","), e.Ends)
		}
	}
	// What cannot be read is told with the secrets.
	if a, err := c.config.Status.Access(c.system.Lookup); err == nil && a.Certificate != nil {
		c.certificate("the certificate of the status page", a.Certificate.Leaf.NotAfter)
	} else if err != nil {
		c.add(inspect.Fail, "status page", err.Error(), "files and a token that can be read", "see to what is named")
	}
	if m := &c.config.Publish.MQTT; !m.Off() {
		login, err := m.Login(c.system.Lookup)
		if err != nil {
			c.add(inspect.Fail, "broker", err.Error(), "files and a password that can be read", "see to what is named")
		} else if login.TLS != nil && len(login.TLS.Certificates) > 0 {
			c.certificate("the certificate for the broker", login.TLS.Certificates[0].Leaf.NotAfter)
		}
	}
}

func (c *checkup) certificate(subject string, ends time.Time) {
	left := ends.Sub(c.system.Now())
	days := int(left / (24 * time.Hour))
	const renew = "renew it: lapgate trust own --new, or whoever issues it; let the other side know of it before it ends"
	switch {
	case left <= 0:
		c.add(inspect.Fail, subject, "ended "+ends.Format(time.DateOnly), "one that is valid", renew)
	case left < soon:
		c.add(inspect.Warn, subject, fmt.Sprintf("%d days left", days), "30 days at least", renew)
	default:
		c.add(inspect.OK, subject, fmt.Sprintf("%d days left", days), "", "")
	}
}

// ports looks whether the daemon serves its socket and its page, or could.
func (c *checkup) ports(ctx context.Context) {
	served := false
	if socket := c.config.Socket(); socket != "" {
		dialer := net.Dialer{Timeout: patience}
		conn, err := dialer.DialContext(ctx, "unix", socket)
		switch {
		case err == nil:
			_ = conn.Close() // nothing was asked
			served = true
			c.add(inspect.OK, "daemon", "it takes commands at "+socket, "", "")
		case errors.Is(err, fs.ErrPermission):
			c.add(inspect.Fail, "daemon", "this account may not reach "+socket, "a member of the group lapgate, or the account of the daemon", "run doctor as one of them")
		default:
			c.add(inspect.Note, "daemon", "none takes commands at "+socket, "", "start it: lapgate run")
		}
	}
	if c.config.Status.Off() {
		return
	}
	const subject = "port of the status page"
	address := c.config.Status.Listen
	var listen net.ListenConfig
	l, err := listen.Listen(ctx, "tcp", address)
	switch {
	case err == nil:
		_ = l.Close() // nothing was served
		if served {
			c.add(inspect.Fail, subject, address+" is free although the daemon runs", "the daemon serves it", "the daemon runs with another configuration: compare it with lapgate status; restart it")
			return
		}
		c.add(inspect.OK, subject, address+" is free", "", "")
	case served:
		c.add(inspect.OK, subject, address+" is in use while the daemon runs", "", "")
	default:
		c.add(inspect.Fail, subject, err.Error(), "a port that is free", "find what listens there (ss -ltnp), or give status.listen another port")
	}
}

// journal looks whose journal that of a line is, and proves its newest records.
func (c *checkup) journal(ctx context.Context, line string) {
	path, subject := c.config.Journal.Path(line), "journal of line "+line
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		c.add(inspect.Note, subject, "none at "+path+" yet", "", "")
		return
	}
	verify := "run lapgate journal verify " + path + "; let nobody write to it meanwhile"
	if err := journal.Sound(ctx, path, 0); err != nil {
		c.add(inspect.Fail, subject, err.Error(), "sound newest records", verify)
		return
	}
	r, err := journal.OpenReader(ctx, path)
	if err != nil {
		c.add(inspect.Fail, subject, err.Error(), "a journal that can be read", verify)
		return
	}
	defer func() { _ = r.Close() }() // only read from
	head, err := r.Head(ctx)
	if err != nil {
		c.add(inspect.Fail, subject, err.Error(), "a journal that can be read", verify)
		return
	}
	owner := journal.Owner{Line: line, Folder: c.config.Journal.StateFolder()}
	doubts, err := owner.Doubts(ctx, r)
	if err != nil {
		doubts = append(doubts, err.Error())
	}
	for _, d := range doubts {
		c.add(inspect.Fail, subject, d, "the journal that the line last wrote", "find that one, or have a named person accept this one: lapgate journal accept")
	}
	if len(doubts) == 0 {
		c.add(inspect.OK, subject, fmt.Sprintf("that of the line, its newest records are sound, head %d:%s", head.Seq, head.Hash), "", "")
	}
}
