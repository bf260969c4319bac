package connect

import (
	"lapgate/gateway/config"
	"lapgate/gateway/engine"
)

// Engine is how the engine of a configuration is connected to; it is for one that has an
// engine. An error means that the configuration names something that cannot be read, and
// never holds a secret.
func Engine(s *config.Snapshot, lookup func(string) (string, bool)) (engine.Settings, error) {
	e := &s.Engine
	login, err := e.Login(lookup)
	return engine.Settings{
		Address: e.Address, Database: e.Database, User: e.User, Password: login.Password, TLS: login.TLS,
		Mill: e.Mill, Machine: e.Machine, Timeout: e.Timeout, Known: engine.File(s.Identity()),
	}, err
}
