package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
)

// The bounds of a look at nodes.
const (
	probeMostNodes = 1000
	probeMostDepth = 10
)

// opcuaProbe is what `probe opcua` was asked for.
type opcuaProbe struct {
	nodes                    []string
	browse, offers, asJSON   bool
	from                     string
	depth, most              int
	policy, mode, folder     string
	user, password, hostName string
	timeout                  time.Duration
}

func (p *program) probeOPCUACommand() *cobra.Command {
	f := opcuaProbe{}
	usual := opcua.DefaultSettings()
	cmd := &cobra.Command{
		Use:   "opcua ENDPOINT",
		Short: "Read and browse the nodes of an OPC UA server",
		Long: `Opcua connects to a server and shows what it says of itself, its limits, and the
nodes asked for with their type, access, value and times. It only reads and
browses.

The server's certificate must be trusted, as for run; lapgate trust shows and
accepts it. With --offers nothing but the endpoints is asked for, which needs no
trust.`,
		Example: `  lapgate probe opcua opc.tcp://192.0.2.10:4840 --offers
  lapgate probe opcua opc.tcp://192.0.2.10:4840 --user gateway --password file:password --browse
  lapgate probe opcua opc.tcp://192.0.2.10:4840 --policy None --mode None --node 'ns=2;s=north.Request'`,
		Args: oneDevice("the " + endpointPrefix + "host:port of one server"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.check(args[0]); err != nil {
				return err
			}
			for _, name := range []string{"from", "depth", "most"} {
				if cmd.Flags().Changed(name) && !f.browse {
					return usageError("--%s goes with --browse", name)
				}
			}
			return p.probeOPCUA(cmd.Context(), args[0], &f)
		},
	}
	fl := cmd.Flags()
	fl.StringArrayVar(&f.nodes, "node", nil, "identifier of a node to read, as 'ns=2;s=north.Request'; may be repeated")
	fl.BoolVar(&f.browse, "browse", false, "list objects and variables, and read the variables")
	fl.StringVar(&f.from, "from", opcua.ObjectsFolder(), "node below which --browse looks")
	fl.IntVar(&f.depth, "depth", 5, fmt.Sprintf("levels that --browse goes down, 1 to %d", probeMostDepth))
	fl.IntVar(&f.most, "most", 200, fmt.Sprintf("nodes that --browse lists, 1 to %d", probeMostNodes))
	fl.BoolVar(&f.offers, "offers", false, "show the endpoints alone")
	fl.StringVar(&f.policy, "policy", string(usual.Policy), "security policy, None for no security")
	fl.StringVar(&f.mode, "mode", string(usual.Mode), "security mode: None, Sign or SignAndEncrypt")
	fl.StringVar(&f.user, "user", "", "user name (default anonymous)")
	fl.StringVar(&f.password, "password", "", "where its password is read: file:PATH or env:NAME")
	fl.StringVar(&f.hostName, "server-name", "", "host in the server's certificate (default the host of the endpoint)")
	fl.StringVar(&f.folder, "folder", opcua.DefaultFolder, "folder of the certificates")
	addTimeout(cmd, &f.timeout, probeTimeout)
	addJSON(cmd, &f.asJSON)
	return cmd
}

func (f *opcuaProbe) check(endpoint string) error {
	if !strings.HasPrefix(endpoint, endpointPrefix) {
		return usageError("the endpoint is not an address as %shost:port", endpointPrefix)
	}
	for _, c := range []struct {
		flag      string
		got, most int
	}{{"depth", f.depth, probeMostDepth}, {"most", f.most, probeMostNodes}} {
		if c.got < 1 || c.got > c.most {
			return usageError("--%s: got %d, want 1 to %d", c.flag, c.got, c.most)
		}
	}
	if len(f.nodes) > probeMostNodes {
		return usageError("--node: got %d of them, want %d at most", len(f.nodes), probeMostNodes)
	}
	if f.timeout <= 0 {
		return usageError("--timeout: got %v, want more than 0", f.timeout)
	}
	return nil
}

// opcuaOut is what a probe saw, as JSON.
type opcuaOut struct {
	Endpoint  string            `json:"endpoint"`
	Offers    []opcua.Offer     `json:"offers"`
	Server    *opcua.ServerInfo `json:"server,omitempty"`
	Nodes     []opcua.NodeInfo  `json:"nodes,omitempty"`
	Found     []opcua.Found     `json:"found,omitempty"`
	Complete  bool              `json:"complete"` // false when the bounds cut something off
	RoundTrip []float64         `json:"round_trip_s,omitempty"`

	took []time.Duration
}

func (p *program) probeOPCUA(ctx context.Context, endpoint string, f *opcuaProbe) error {
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	out := opcuaOut{Endpoint: endpoint, Complete: true}
	var err error
	if out.Offers, err = opcua.Offers(ctx, endpoint, f.timeout); err != nil {
		return &exitError{exitUnreachable, err}
	}
	var looked error
	if !f.offers {
		if looked = p.readNodes(ctx, endpoint, f, &out); looked != nil && out.Server == nil && link.ClassOf(looked) == 0 {
			return looked
		}
	}
	if f.asJSON {
		err = p.printJSON(&out)
	} else {
		err = p.printOPCUA(&out, f)
	}
	if link.ClassOf(looked) != 0 {
		looked = dialFailed(looked)
	}
	return errors.Join(err, looked)
}

// readNodes connects, and fills what was asked for.
func (p *program) readNodes(ctx context.Context, endpoint string, f *opcuaProbe, out *opcuaOut) error {
	s := opcua.DefaultSettings()
	s.Endpoint, s.Timeout, s.Folder, s.ServerName = endpoint, f.timeout, f.folder, f.hostName
	s.Policy, s.Mode = opcua.Policy(f.policy), opcua.Mode(f.mode)
	s.User.Name = f.user
	if f.password != "" {
		password, err := config.ReadSecret(f.password, p.lookup)
		if err != nil {
			return usageError("--password: %v", err)
		}
		s.User.Password = opcua.Secret(password)
	}
	s.Warn = func(w opcua.Warning) { fmt.Fprintf(p.stderr, "warning: %s; %s\n", w.Text, w.Help) }
	seen, err := inspect.Nodes(ctx, s, inspect.NodesWanted{
		Nodes: f.nodes, Browse: f.browse, From: f.from, Bounds: opcua.Bounds{Depth: f.depth, Nodes: f.most},
	})
	out.Server, out.Nodes, out.Found, out.Complete, out.took = seen.Server, seen.Nodes, seen.Found, seen.Complete, seen.Took
	for _, d := range seen.Took {
		out.RoundTrip = append(out.RoundTrip, d.Seconds())
	}
	if err == nil && seen.Missing() {
		return &exitError{exitDifferences, errors.New("not every node is there; see the list")}
	}
	return err
}

func (p *program) printOPCUA(out *opcuaOut, f *opcuaProbe) error {
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintf(t, "%s offers\n", out.Endpoint)
	for _, o := range out.Offers {
		fmt.Fprintf(t, "  %s\t%s\tlogin: %s\n", o.Policy, o.Mode, strings.Join(o.Logins, ", "))
	}
	if s := out.Server; s != nil {
		fmt.Fprintf(t, "server\t%s\n", strings.TrimSpace(strings.Join([]string{s.Maker, s.Product, s.Version}, " ")))
		fmt.Fprintf(t, "state\t%s\n", s.State)
		fmt.Fprintf(t, "clock\t%+.3f s from ours\n", s.Skew.Seconds())
		fmt.Fprintf(t, "round trip\t%s\n", roundTrips(out.took))
		for i, n := range s.Namespaces {
			fmt.Fprintf(t, "namespace %d\t%s\n", i, n)
		}
		for _, l := range s.Limits {
			text := "not told"
			switch {
			case l.Known && l.Value == 0:
				text = "none"
			case l.Known:
				text = fmt.Sprint(l.Value)
			}
			fmt.Fprintf(t, "limit %s\t%s\n", l.Name, text)
		}
	}
	if len(out.Found) > 0 {
		fmt.Fprintf(t, "below %s\n", f.from)
		for _, n := range out.Found {
			fmt.Fprintf(t, "%s%s\t%s\t%s\n", strings.Repeat("  ", n.Depth), n.Name, n.Class, n.ID)
		}
		if !out.Complete {
			fmt.Fprintln(t, "  there is more; raise --depth or --most, or begin elsewhere with --from")
		}
	}
	for i := range out.Nodes {
		n := &out.Nodes[i]
		if n.Problem != "" {
			fmt.Fprintf(t, "%s\tPROBLEM\t%s\n", n.ID, n.Problem)
			continue
		}
		if n.Type == "" {
			fmt.Fprintf(t, "%s\t%s\t%s\n", n.ID, n.Class, n.Name)
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\tsource %s\tserver %s\n", n.ID, n.Type, rights(n), value(n), stamp(n.SourceTime), stamp(n.ServerTime))
	}
	return t.Flush()
}

// rights are those of the user, and those of the node where they differ.
func rights(n *opcua.NodeInfo) string {
	if n.UserAccess == n.Access || n.UserAccess == "not told" {
		return n.Access
	}
	return n.UserAccess + " (node: " + n.Access + ")"
}

func value(n *opcua.NodeInfo) string {
	if n.Status != "Good" {
		return n.Value + " " + n.Status
	}
	return n.Value
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return "none"
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}
