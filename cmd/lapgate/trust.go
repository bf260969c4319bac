package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/link/opcua"
	"lapgate/gateway/present"
)

func (p *program) trustCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "trust",
		Short: "List, show and accept the certificates of OPC UA servers; renew the own one",
		Long: `An OPC UA server is trusted only when its own certificate was accepted here:
nothing is trusted on first use. The certificates are kept in the folder
"trusted" below the folder of certificates, that of the gateway itself in "own".
The folder is that of the configuration, controller.opcua.certificates, where
--config or $LAPGATE_CONFIG names one; --folder names another.

To accept one, read the fingerprint at the server itself, not over the network,
and give the whole of it with --fingerprint.`,
	}
	cmd.AddCommand(p.trustList(), p.trustOwn(), p.trustShow(), p.trustAccept())
	return cmd
}

// trustFlags say which folder of certificates is meant.
type trustFlags struct {
	folder string
	line   string
	source sourceFlags
}

func (f *trustFlags) add(cmd *cobra.Command) {
	f.source.add(cmd)
	addFolder(cmd, &f.folder, "folder", "", "folder of the certificates (default that of the configuration; without one, "+opcua.DefaultFolder+")")
	addLine(cmd, &f.line, "every line, where all have one folder")
}

// trustFolder is the folder of certificates that the flags mean: the one named,
// or that of the configured lines.
func (p *program) trustFolder(f *trustFlags) (string, error) {
	if f.folder != "" {
		if f.source.path != "" || len(f.source.set) > 0 || f.line != "" {
			return "", usageError("--folder names the folder itself; leave out --config, --set and --line")
		}
		return f.folder, nil
	}
	src, err := p.source(&f.source)
	if err != nil {
		return "", err
	}
	if src.Path == "" {
		if len(f.source.set) > 0 || f.line != "" {
			return "", usageError("no configuration is named; give --config FILE or set %s", configVariable)
		}
		return opcua.DefaultFolder, nil
	}
	snapshot, err := p.loadSource(src)
	if err != nil {
		return "", err
	}
	lines, err := linesNamed(snapshot, f.line)
	if err != nil {
		return "", err
	}
	folders := connect.CertificateFolders(lines)
	switch len(folders) {
	case 1:
		return folders[0], nil
	case 0:
		return "", usageError("no line of %s is spoken to by protocol %s; name the folder with --folder", snapshot.File, config.OPCUA)
	}
	return "", usageError("the lines of %s have different folders of certificates, %s; name the line with --line", snapshot.File, strings.Join(folders, ", "))
}

func (p *program) trustList() *cobra.Command {
	var f trustFlags
	var output outputFlags
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the certificate of the gateway and those that are trusted",
		Long: `List prints the certificate of the gateway, which is made on first use, and the
certificates of the servers that are trusted. Exit code 5 when one of them is
not valid now.`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error {
			folder, err := p.trustFolder(&f)
			if err != nil {
				return err
			}
			list, valid, err := opcua.TrustList{Folder: folder}.Report(time.Now())
			if list == nil {
				return err
			}
			err = errors.Join(p.printer(output, nil).Print(present.Apart(list)), err)
			if err == nil && !valid {
				err = &exitError{exitDifferences, errors.New("a certificate is not valid now; see the list")}
			}
			return err
		},
	}
	f.add(cmd)
	output.add(cmd)
	return cmd
}

func (p *program) trustOwn() *cobra.Command {
	var f trustFlags
	var output outputFlags
	var renew bool
	cmd := &cobra.Command{
		Use:   "own",
		Short: "Show the certificate of the gateway, or make a new one with --new",
		Long: `Own prints the certificate by which servers know the gateway. With --new it makes
another one, with a new key, and keeps the one before in a folder beside it. No line
stops: a connection that stands goes on, the next one shows the new certificate, and a
server that does not trust it yet is connected to with the one before for as long as
that is valid. Have the new one trusted at each controller, then remove the folder of
the one before.`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error {
			folder, err := p.trustFolder(&f)
			if err != nil {
				return err
			}
			now := time.Now()
			var own opcua.Certificate
			if renew {
				own, err = opcua.RenewOwn(folder, now)
			} else {
				own, err = opcua.OwnCertificate(folder)
			}
			if err != nil {
				return err
			}
			return p.printer(output, nil).Print(own.Report("own", now))
		},
	}
	f.add(cmd)
	output.add(cmd)
	cmd.Flags().BoolVar(&renew, "new", false, "make a new certificate and key")
	return cmd
}

// endpointPrefix tells an endpoint from a file.
const endpointPrefix = "opc.tcp://"

// offered reads the certificates of an endpoint or of a file.
func (p *program) offered(cmd *cobra.Command, from string, timeout time.Duration) ([]opcua.Certificate, error) {
	if !strings.HasPrefix(from, endpointPrefix) {
		if cmd.Flags().Changed("timeout") {
			return nil, usageError("--timeout is for an endpoint, and %s is a file: leave it out", from)
		}
		c, err := opcua.ReadCertificate(from)
		if errors.Is(err, os.ErrNotExist) {
			return nil, usageError("%q is neither a file nor an endpoint as %shost:port", from, endpointPrefix)
		}
		return []opcua.Certificate{c}, err
	}
	ctx, cancel := context.WithTimeout(cmd.Context(), timeout)
	defer cancel()
	list, err := opcua.FetchCertificates(ctx, from, timeout)
	if err != nil {
		return nil, &exitError{exitUnreachable, fmt.Errorf("%s: %w; check address, port and network, and that an OPC UA server answers there", from, err)}
	}
	if len(list) == 0 {
		return nil, &exitError{exitDifferences, fmt.Errorf("%s shows no certificate; switch security on at the server", from)}
	}
	return list, nil
}

func (p *program) trustShow() *cobra.Command {
	var output outputFlags
	var timeout time.Duration
	cmd := &cobra.Command{
		Use:   "show ENDPOINT|FILE",
		Short: "Show the certificate of a server or of a file, without trusting it",
		Args:  takes("one endpoint as " + endpointPrefix + "host:port or one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := p.offered(cmd, args[0], timeout)
			if err != nil {
				return err
			}
			return p.printer(output, nil).Print(present.Apart(opcua.Offered(list, time.Now())))
		},
	}
	addTimeout(cmd, &timeout, fetchTimeout)
	output.add(cmd)
	return cmd
}

// fetchTimeout is how long a server may take to show its certificate.
const fetchTimeout = 10 * time.Second

func (p *program) trustAccept() *cobra.Command {
	var f trustFlags
	var fingerprint string
	var timeout time.Duration
	cmd := &cobra.Command{
		Use:   "accept ENDPOINT|FILE --fingerprint SHA256",
		Short: "Trust the certificate of a server whose fingerprint was compared",
		Long: `Accept puts the certificate of a server into the trust list when its fingerprint
is the one given. Without the right --fingerprint it prints what the server
shows and accepts nothing, with exit code 5. Read the fingerprint at the server
itself: what comes over the network could come from somebody between.`,
		Args: takes("one endpoint as " + endpointPrefix + "host:port or one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := p.trustFolder(&f)
			if err != nil {
				return err
			}
			list, err := p.offered(cmd, args[0], timeout)
			if err != nil {
				return err
			}
			accepted, refused := opcua.TrustList{Folder: folder}.AcceptOneOf(list, fingerprint)
			switch {
			case refused == nil:
				_, err := fmt.Fprintf(p.stdout, "trusted: %s, fingerprint %s, as %s\n", accepted.Subject, accepted.Fingerprint, accepted.File)
				return err
			case !errors.Is(refused, opcua.ErrFingerprint):
				return refused
			}
			if err := p.printer(outputFlags{}, nil).Print(present.Apart(opcua.Offered(list, time.Now()))); err != nil {
				return err
			}
			if fingerprint == "" {
				refused = errors.New("compare the fingerprint at the server itself, then give it with --fingerprint")
			}
			return &exitError{exitDifferences, fmt.Errorf("nothing was accepted: %w", refused)}
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&fingerprint, "fingerprint", "", "whole SHA-256 fingerprint of the certificate, as read at the server")
	addTimeout(cmd, &timeout, fetchTimeout)
	return cmd
}
