package connect

import (
	"fmt"
	"slices"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
)

func (d *Dialers) opcua(l *config.Line, warn func(link.Warning)) (link.Dialer, error) {
	s, err := d.OPCUASettings(l, warn)
	if err != nil {
		return nil, err
	}
	return opcua.New(s)
}

// OPCUASettings are the settings of the configured server of a line, with the
// user who logs in there.
func (d *Dialers) OPCUASettings(l *config.Line, warn func(link.Warning)) (opcua.Settings, error) {
	s := Server(l)
	s.Warn = func(w opcua.Warning) { warn(link.Warning(w)) }
	var err error
	if s.User, err = opcuaUser(&l.Controller.OPCUA, d.Lookup); err != nil {
		return s, fmt.Errorf("controller.opcua: %w", err)
	}
	return s, nil
}

// Server are the settings of the configured server of a line, without the user.
func Server(l *config.Line) opcua.Settings {
	c := &l.Controller.OPCUA
	s := opcua.Settings{
		Endpoint: l.Controller.Address, Line: l.Recipe.Name, Timeout: l.Controller.Times.RequestTimeout,
		Policy: opcua.Policy(c.Policy), Mode: opcua.Mode(c.Mode), Folder: c.Certificates, ServerName: c.ServerName,
		NamespaceURI: c.Namespace, SkewLimit: c.SkewLimit, Nodes: map[handshake.ID]string{},
	}
	for id, text := range map[handshake.ID]string{
		handshake.REQ: c.Nodes.Request, handshake.OUT: c.Nodes.Outcomes, handshake.HEARTBEAT: c.Nodes.Heartbeat,
		handshake.HELLO: c.Nodes.Hello, handshake.PAYLOAD: c.Nodes.Payload, handshake.COMMIT: c.Nodes.Commit, handshake.ACK: c.Nodes.Ack,
		handshake.LIMITS: c.Nodes.Limits,
	} {
		if text != "" {
			s.Nodes[id] = text
		}
	}
	return s
}

// opcuaUser is the configured user: a name and its password, a certificate and
// its key, or nobody.
func opcuaUser(c *config.OPCUAServer, lookup func(string) (string, bool)) (opcua.User, error) {
	login, err := c.Login(lookup)
	if err != nil {
		return opcua.User{Name: login.Name}, err
	}
	user := opcua.User{}
	if login.Certificate != nil {
		if user, err = opcua.ParseUser(login.Certificate, login.Key); err != nil {
			return opcua.User{}, err
		}
	}
	user.Name, user.Password = login.Name, opcua.Secret(login.Password)
	return user, nil
}

// CertificateFolders are the folders of certificates of those lines that are
// spoken to by OPC UA, each once.
func CertificateFolders(lines []*config.Line) []string {
	var folders []string
	for _, l := range lines {
		if c := &l.Controller; c.Protocol == config.OPCUA && !slices.Contains(folders, c.OPCUA.Certificates) {
			folders = append(folders, c.OPCUA.Certificates)
		}
	}
	return folders
}
