package checkup

import (
	"context"
	"fmt"
	"strings"
	"time"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/engine"
	"lapgate/gateway/inspect"
)

// Engine looks at the database of the mill's record, where there is one.
func Engine(ctx context.Context, s *config.Snapshot, system System) []inspect.Item {
	c := &checkup{system: system, config: s}
	c.engine(ctx)
	return c.items
}

func (c *checkup) engine(ctx context.Context) {
	if c.config.Engine.Off() {
		return
	}
	settings, err := connect.Engine(c.config, c.system.Lookup)
	problems := err != nil
	if problems {
		for problem := range strings.SplitSeq(err.Error(), "\n") {
			c.add(inspect.Fail, "engine", problem, "files and a password that can be read", "see to what is named")
		}
	}
	if _, err := settings.Known.Load(); err != nil {
		c.add(inspect.Fail, "engine", err.Error(), "a file that tells which engine is known", "see that the daemon's user may read it; where it is damaged, lapgate engine accept has it written anew")
		settings.Known = nil
	}
	if problems {
		return // nobody could log in
	}
	if settings.TLS != nil && len(settings.TLS.Certificates) > 0 {
		c.certificate("the certificate for the engine", settings.TLS.Certificates[0].Leaf.NotAfter)
	}
	fit := 0
	all := engine.New(settings).Examine(ctx)
	for i := range all {
		if c.examined(&all[i]) {
			fit++
		}
	}
	if fit == 0 {
		c.add(inspect.Fail, "engine", "no address has a server that may be written to", "one that takes records", "see to what is told of each; until then records stay in the journals of this machine, and the lines go on")
	}
}

// examined tells of one address, and whether records could go there.
func (c *checkup) examined(f *engine.Facts) (fit bool) {
	subject := "engine at " + f.Address
	if f.Err != nil {
		c.add(inspect.Fail, subject, f.Err.Error(), "an answer", f.Remedy)
		return false
	}
	if f.ReadOnly {
		c.add(inspect.Note, subject, "a standby, or set read-only: nothing is written there", "", "")
		return false
	}
	known := f.Known == engine.Identity{} || f.Known.System == f.Got.System && f.Known.Timeline <= f.Got.Timeline
	if !known {
		err := &engine.IdentityError{Known: f.Known, Got: f.Got}
		c.add(inspect.Fail, subject, err.Error(), "the engine that is known", "see that it is the right one; then lapgate engine accept")
		return false
	}
	c.add(inspect.OK, subject, fmt.Sprintf("takes records; system %d, timeline %d, release %d.%d, %s, answers in %s",
		f.Got.System, f.Got.Timeline, f.Release/releaseStep, f.Release%releaseStep, orPlain(f.TLS), f.RoundTrip.Round(10*time.Microsecond)), "", "")
	c.engineServer(subject, f)
	c.engineTables(subject, f)
	c.engineRights(subject, f)
	return true
}

func orPlain(tls string) string {
	if tls == "" {
		return "no TLS"
	}
	return tls
}

const (
	releaseStep  = 10000
	leastRelease = 14
	// slow is a way to the server and back at which the times of a pair get tight.
	slow = 50 * time.Millisecond
)

func (c *checkup) engineServer(subject string, f *engine.Facts) {
	if f.Release/releaseStep < leastRelease {
		c.add(inspect.Fail, subject, fmt.Sprintf("release %d", f.Release/releaseStep), fmt.Sprintf("%d at least", leastRelease), "bring the server up to a release that its makers still mend")
	}
	if f.Encoding != "UTF8" {
		c.add(inspect.Fail, subject, "encoded as "+f.Encoding, "UTF8", "create the database anew: CREATE DATABASE … ENCODING 'UTF8' TEMPLATE template0")
	}
	if len(f.Durable) > 0 {
		c.add(inspect.Fail, subject, strings.Join(f.Durable, ", "), "on", "records that it took are lost in a power cut: have the settings put right")
	}
	if c.config.Engine.Pair && !f.Replicated {
		c.add(inspect.Warn, subject, "no change waits for another server", "a synchronous standby", "with one server, or a standby that lags, a failover forgets leases and the newest records; both come again, with an alarm. The handbook tells how a synchronous standby is set up")
	}
	if f.RoundTrip > slow {
		c.add(inspect.Warn, subject, "answers in "+f.RoundTrip.Round(time.Millisecond).String(), "less than "+slow.String(), "put the server nearer, or see why the way is slow")
	}
	if f.Misnamed {
		c.add(inspect.Warn, subject, "a role is named lapgate, as the schema is", "another name", "whoever logs in as it reads and makes tables in the schema without naming it: ALTER ROLE lapgate RENAME TO …")
	}
}

func (c *checkup) engineTables(subject string, f *engine.Facts) {
	subject += ": tables"
	if want := engine.Version(); f.Tables < want || f.Least > want {
		err := &engine.VersionError{Got: f.Tables, Least: f.Least, Want: want}
		c.add(inspect.Fail, subject, err.Error(), fmt.Sprintf("version %d", want), "run lapgate engine migrate as their owner, then start the daemons with the new program one after the other")
		return
	}
	c.add(inspect.OK, subject, fmt.Sprintf("version %d", f.Tables), "", "")
	if now := c.system.Now().UTC(); f.NewestMonth.Before(time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)) {
		c.add(inspect.Warn, subject, "newest month is "+f.NewestMonth.Format("2006-01"), now.Format("2006-01"), "records that come now make it; where none come, look at the shipping in lapgate status")
	}
}

func (c *checkup) engineRights(subject string, f *engine.Facts) {
	subject += ": user " + f.User
	if f.Tables == 0 {
		return // nothing to have rights on
	}
	grant := func(role string) string { return fmt.Sprintf("have a superuser run: GRANT %s TO %s;", role, f.User) }
	before := len(c.items)
	if !f.Writes {
		c.add(inspect.Fail, subject, "may not append records", "a member of lapgate_writer", grant("lapgate_writer"))
	}
	if !f.Reads {
		c.add(inspect.Fail, subject, "may not read records, by which gaps are filled and a journal that was put back is known", "a member of lapgate_reader", grant("lapgate_reader"))
	}
	if c.config.Engine.Pair && !f.Pairs {
		c.add(inspect.Fail, subject, "may not take leases", "a member of lapgate_pair", grant("lapgate_pair"))
	}
	for _, b := range f.Beyond {
		c.add(inspect.Warn, subject, b, "no more rights than a daemon needs", "log in as a user that is a member of the roles of the handbook alone")
	}
	if f.Keeps && len(f.Beyond) == 0 {
		c.add(inspect.Warn, subject, "may remove months", "no more rights than a daemon needs", fmt.Sprintf("have a superuser run: REVOKE lapgate_keeper FROM %s;", f.User))
	}
	if len(c.items) == before {
		c.add(inspect.OK, subject, "has the rights that a daemon needs, and no more", "", "")
	}
}
