package main

import (
	"errors"
	"fmt"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua"
)

// lookup finds a variable of the environment handed in that is not empty.
func (p *program) lookup(name string) (string, bool) {
	v := p.getenv(name)
	return v, v != ""
}

// opcuaDialer makes the dialer of a configured OPC UA server, with the user who
// logs in there.
func opcuaDialer(l *config.Line, log *zap.Logger, lookup func(string) (string, bool)) (link.Dialer, error) {
	s := opcuaSettings(l, log)
	var err error
	if s.User, err = opcuaUser(&l.Controller.OPCUA, lookup); err != nil {
		return nil, fmt.Errorf("controller.opcua: %w", err)
	}
	return opcua.New(s)
}

// opcuaSettings are the settings of one configured controller, without the
// user.
func opcuaSettings(l *config.Line, log *zap.Logger) opcua.Settings {
	c := &l.Controller.OPCUA
	s := opcua.Settings{
		Endpoint: l.Controller.Address, Line: l.Recipe.Name, Timeout: l.Controller.Times.RequestTimeout,
		Policy: opcua.Policy(c.Policy), Mode: opcua.Mode(c.Mode), Folder: c.Certificates, ServerName: c.ServerName,
		NamespaceURI: c.Namespace, SkewLimit: c.SkewLimit, Nodes: map[handshake.ID]string{},
	}
	for id, text := range map[handshake.ID]string{
		handshake.REQ: c.Nodes.Request, handshake.OUT: c.Nodes.Outcomes, handshake.HEARTBEAT: c.Nodes.Heartbeat,
		handshake.HELLO: c.Nodes.Hello, handshake.PAYLOAD: c.Nodes.Payload, handshake.COMMIT: c.Nodes.Commit, handshake.ACK: c.Nodes.Ack,
	} {
		if text != "" {
			s.Nodes[id] = text
		}
	}
	s.Warn = func(w opcua.Warning) {
		log.Warn(w.Text, zap.String("line", s.Line), zap.String("code", w.Code), zap.String("remedy", w.Help))
	}
	return s
}

// opcuaUser reads the configured user: a name and its password, a certificate
// and its key, or nobody. All problems are named at once.
func opcuaUser(c *config.OPCUAServer, lookup func(string) (string, bool)) (opcua.User, error) {
	var user opcua.User
	var bad []error
	if c.UserCertificate != "" || c.UserKey != "" {
		var err error
		if user, err = opcua.ReadUser(c.UserCertificate, c.UserKey); err != nil {
			bad = append(bad, err)
		}
	}
	user.Name = c.User
	if c.Password != "" {
		var err error
		if user.Password, err = opcua.ReadSecret(c.Password, lookup); err != nil {
			bad = append(bad, fmt.Errorf("password: %w", err))
		}
	}
	return user, errors.Join(bad...)
}
