package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
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
	nodes          []string
	browse, offers bool
	from           string
	depth, most    int
	opcuaLogin
	output outputFlags
}

func (p *program) probeOPCUACommand() *cobra.Command {
	f := opcuaProbe{}
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
		Args: takes("the " + endpointPrefix + "host:port of one server"),
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
	f.opcuaLogin.add(cmd)
	addTimeout(cmd, &f.timeout, probeTimeout)
	f.output.add(cmd)
	return cmd
}

// opcuaLogin says how a server is connected to that nobody has configured yet.
type opcuaLogin struct {
	policy, mode, folder     string
	user, password, hostName string
	timeout                  time.Duration
}

func (f *opcuaLogin) add(cmd *cobra.Command) {
	fl, usual := cmd.Flags(), opcua.DefaultSettings()
	fl.StringVar(&f.policy, "policy", string(usual.Policy), "security policy, None for no security")
	fl.StringVar(&f.mode, "mode", string(usual.Mode), "security mode: None, Sign or SignAndEncrypt")
	fl.StringVar(&f.user, "user", "", "user name (default anonymous)")
	fl.StringVar(&f.password, "password", "", "where its password is read: file:PATH or env:NAME")
	fl.StringVar(&f.hostName, "server-name", "", "host in the server's certificate (default the host of the endpoint)")
	addFolder(cmd, &f.folder, "folder", opcua.DefaultFolder, "folder of the certificates")
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
	return nil
}

func (p *program) probeOPCUA(ctx context.Context, endpoint string, f *opcuaProbe) error {
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	out := inspect.NodesReport{Endpoint: endpoint, Complete: true}
	var err error
	if out.Offers, err = opcua.Offers(ctx, endpoint, f.timeout); err != nil {
		return &exitError{exitUnreachable, err}
	}
	var looked error
	if !f.offers {
		s, err := f.settings(p, endpoint)
		if err != nil {
			return err
		}
		looked = out.Look(ctx, s, inspect.NodesWanted{
			Nodes: f.nodes, Browse: f.browse, From: f.from, Bounds: opcua.Bounds{Depth: f.depth, Nodes: f.most},
		})
		switch {
		case link.ClassOf(looked) != 0:
			looked = dialFailed(looked)
		case looked != nil && out.Server == nil:
			return looked
		case looked == nil && out.Missing():
			looked = &exitError{exitDifferences, errors.New("not every node is there; see the list")}
		}
	}
	return errors.Join(p.printer(f.output, nil).Print(&out), looked)
}

// settings say how to connect to the server.
func (f *opcuaLogin) settings(p *program, endpoint string) (opcua.Settings, error) {
	s := opcua.DefaultSettings()
	s.Endpoint, s.Timeout, s.Folder, s.ServerName = endpoint, f.timeout, f.folder, f.hostName
	s.Policy, s.Mode = opcua.Policy(f.policy), opcua.Mode(f.mode)
	s.User.Name = f.user
	if f.password != "" {
		password, err := config.ReadSecret(f.password, p.lookup)
		if err != nil {
			return s, usageError("--password: %v", err)
		}
		s.User.Password = opcua.Secret(password)
	}
	s.Warn = func(w opcua.Warning) { fmt.Fprintf(p.stderr, "warning: %s; %s\n", w.Text, w.Help) }
	return s, nil
}
