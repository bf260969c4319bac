package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/link/opcua"
)

func (p *program) trustCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "trust",
		Short: "List, show and accept the certificates of OPC UA servers",
		Long: `An OPC UA server is trusted only when its own certificate was accepted here:
nothing is trusted on first use. The certificates are kept in the folder
"trusted" below the folder of certificates, that of the gateway itself in "own".
The folder is that of the configuration, controller.opcua.certificates, where
--config or $LAPGATE_CONFIG names one; --folder names another.

To accept one, read the fingerprint at the server itself, not over the network,
and give the whole of it with --fingerprint.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return usageError("a command is missing; want one of list, show, accept")
		},
	}
	cmd.AddCommand(p.trustList(), p.trustShow(), p.trustAccept())
	return cmd
}

// certificateOut is a certificate as it is printed as JSON.
type certificateOut struct {
	Role           string    `json:"role"` // "own", "trusted", "offered"
	Fingerprint    string    `json:"fingerprint"`
	Thumbprint     string    `json:"thumbprint"`
	Subject        string    `json:"subject"`
	Issuer         string    `json:"issuer"`
	ApplicationURI string    `json:"application_uri"`
	Hosts          []string  `json:"hosts"`
	KeyBits        int       `json:"key_bits"`
	NotBefore      time.Time `json:"not_before"`
	NotAfter       time.Time `json:"not_after"`
	State          string    `json:"state"`
	File           string    `json:"file,omitempty"`
}

func certificateRow(role string, c *opcua.Certificate, now time.Time) certificateOut {
	out := certificateOut{
		Role: role, Fingerprint: c.Fingerprint, Thumbprint: c.Thumbprint, Subject: c.Subject, Issuer: c.Issuer,
		ApplicationURI: c.ApplicationURI, Hosts: append([]string{}, c.Hosts...), KeyBits: c.KeyBits,
		NotBefore: c.NotBefore.UTC(), NotAfter: c.NotAfter.UTC(), State: "valid", File: c.File,
	}
	switch why := c.ValidAt(now); {
	case why != "":
		out.State = why
	case c.EndsSoon(now):
		out.State = "ends soon"
	}
	return out
}

// printCertificates prints one certificate after the other, each with its
// facts below it.
func (p *program) printCertificates(list []certificateOut, f outputFlags) error {
	if f.json || f.csv {
		return p.printer(f, nil).print(list)
	}
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
	for i, c := range list {
		if i > 0 {
			fmt.Fprintln(t)
		}
		fmt.Fprintf(t, "%s\t%s\n", c.Role, c.Subject)
		for _, row := range [][2]string{
			{"fingerprint", c.Fingerprint}, {"thumbprint", c.Thumbprint}, {"issuer", c.Issuer},
			{"application", c.ApplicationURI}, {"hosts", strings.Join(c.Hosts, ", ")},
			{"key", fmt.Sprintf("RSA %d bits", c.KeyBits)},
			{"valid", c.NotBefore.Format(time.DateOnly) + " to " + c.NotAfter.Format(time.DateOnly) + " (" + c.State + ")"},
			{"file", c.File},
		} {
			if row[1] != "" {
				fmt.Fprintf(t, "  %s\t%s\n", row[0], row[1])
			}
		}
	}
	return t.Flush()
}

// trustFlags say which folder of certificates is meant.
type trustFlags struct {
	folder string
	line   string
	source sourceFlags
}

func (f *trustFlags) add(cmd *cobra.Command) {
	f.source.add(cmd)
	cmd.Flags().StringVar(&f.folder, "folder", "", "folder of the certificates (default that of the configuration; without one, "+opcua.DefaultFolder+")")
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
	lines := snapshot.Lines
	if f.line != "" {
		l, err := lineNamed(snapshot, f.line)
		if err != nil {
			return "", err
		}
		lines = []config.Line{*l}
	}
	var folders []string
	for i := range lines {
		c := &lines[i].Controller
		if c.Protocol == config.OPCUA && !slices.Contains(folders, c.OPCUA.Certificates) {
			folders = append(folders, c.OPCUA.Certificates)
		}
	}
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
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			folder, err := p.trustFolder(&f)
			if err != nil {
				return err
			}
			own, err := opcua.OwnCertificate(folder)
			if err != nil {
				return err
			}
			trusted, bad := opcua.TrustList{Folder: folder}.List()
			now := time.Now()
			out := []certificateOut{certificateRow("own", &own, now)}
			invalid := own.ValidAt(now) != ""
			for i := range trusted {
				out = append(out, certificateRow("trusted", &trusted[i], now))
				invalid = invalid || trusted[i].ValidAt(now) != ""
			}
			if err := p.printCertificates(out, output); err != nil {
				return err
			}
			if bad != nil {
				return bad
			}
			if invalid {
				return &exitError{exitDifferences, errors.New("a certificate is not valid now; see the list")}
			}
			return nil
		},
	}
	f.add(cmd)
	output.add(cmd)
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
			return nil, usageError("%s is neither a file nor an endpoint as %shost:port", from, endpointPrefix)
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

func oneSource(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("%s takes one endpoint as %shost:port or one file, got %d arguments", cmd.CommandPath(), endpointPrefix, len(args))
	}
	return nil
}

func (p *program) trustShow() *cobra.Command {
	var output outputFlags
	var timeout time.Duration
	cmd := &cobra.Command{
		Use:   "show ENDPOINT|FILE",
		Short: "Show the certificate of a server or of a file, without trusting it",
		Args:  oneSource,
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := p.offered(cmd, args[0], timeout)
			if err != nil {
				return err
			}
			var out []certificateOut
			for i := range list {
				out = append(out, certificateRow("offered", &list[i], time.Now()))
			}
			return p.printCertificates(out, output)
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
		Args: oneSource,
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := p.trustFolder(&f)
			if err != nil {
				return err
			}
			list, err := p.offered(cmd, args[0], timeout)
			if err != nil {
				return err
			}
			trust := opcua.TrustList{Folder: folder}
			var refusals []error
			for i := range list {
				c := &list[i]
				file, err := trust.Accept(c.DER, fingerprint)
				if errors.Is(err, opcua.ErrFingerprint) {
					refusals = append(refusals, err)
					continue
				}
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(p.stdout, "trusted: %s, fingerprint %s, as %s\n", c.Subject, c.Fingerprint, file)
				return err
			}
			var out []certificateOut
			for i := range list {
				out = append(out, certificateRow("offered", &list[i], time.Now()))
			}
			if err := p.printCertificates(out, outputFlags{}); err != nil {
				return err
			}
			if fingerprint == "" {
				return &exitError{exitDifferences, errors.New("nothing was accepted: compare the fingerprint at the server itself, then give it with --fingerprint")}
			}
			return &exitError{exitDifferences, fmt.Errorf("nothing was accepted: %w", errors.Join(refusals...))}
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&fingerprint, "fingerprint", "", "whole SHA-256 fingerprint of the certificate, as read at the server")
	addTimeout(cmd, &timeout, fetchTimeout)
	return cmd
}
