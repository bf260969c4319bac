package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/configs"
	"lapgate/gateway/config"
)

// configVariable names the configuration where no flag does.
const configVariable = "LAPGATE_CONFIG"

// demoName stands for the embedded configuration in messages.
const demoName = "demo.yaml"

// sourceFlags say which configuration is meant.
type sourceFlags struct {
	path string
	set  []string
}

func (f *sourceFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVarP(&f.path, "config", "c", "", "configuration file (default $"+configVariable+")")
	cmd.Flags().StringArrayVar(&f.set, "set", nil, "override one value, as --set 'lines.0.wrap.speed=500 mm/s'; may be repeated")
}

// source makes what config.Load takes.
func (p *program) source(f *sourceFlags) (config.Source, error) {
	src := config.Source{Path: f.path, Set: map[string]string{}}
	for _, kv := range p.env {
		if k, _, _ := cutEnv(kv); k != configVariable {
			src.Env = append(src.Env, kv)
		}
	}
	for _, kv := range f.set {
		k, v, ok := strings.Cut(kv, "=")
		if !ok || strings.TrimSpace(k) == "" {
			return src, usageError("--set: got %q, want key=value", kv)
		}
		src.Set[strings.TrimSpace(k)] = v
	}
	if src.Path == "" {
		src.Path = p.getenv(configVariable)
	}
	return src, nil
}

// names reports whether the flags or the environment name a configuration.
func (p *program) names(f *sourceFlags) bool { return f.path != "" || p.getenv(configVariable) != "" }

// namedSource is a configuration that must be named: by the argument of a
// command, by --config or by the environment.
func (p *program) namedSource(f *sourceFlags, args []string) (config.Source, error) {
	if len(args) > 0 {
		if f.path != "" {
			return config.Source{}, usageError("the configuration is named twice, as %q and as --config %s; name it once", args[0], f.path)
		}
		f.path = args[0]
	}
	src, err := p.source(f)
	if err == nil && src.Path == "" {
		err = usageError("no configuration is named; give --config FILE or set %s", configVariable)
	}
	return src, err
}

// loadNamed reads a configuration that the flags or the environment must name.
func (p *program) loadNamed(f *sourceFlags) (*config.Snapshot, error) {
	src, err := p.namedSource(f, nil)
	if err != nil {
		return nil, err
	}
	return p.loadSource(src)
}

// load reads the configuration named, and the embedded one of the demo where
// none is.
func (p *program) load(f *sourceFlags) (*config.Snapshot, error) {
	src, err := p.source(f)
	if err != nil {
		return nil, err
	}
	if src.Path == "" {
		src.Path, src.Bytes = demoName, configs.Demo()
	}
	return p.loadSource(src)
}

// loadSource reads a configuration, prints its warnings, and makes its
// problems an error of their own exit code.
func (p *program) loadSource(src config.Source) (*config.Snapshot, error) {
	s, err := config.Load(src)
	if err != nil {
		return nil, invalid(err)
	}
	p.warn(s)
	p.mill = s.Shifts.Location(nil)
	return s, nil
}

// invalid gives the problems of a configuration their exit code.
func invalid(err error) error {
	var problems *config.Error
	if errors.As(err, &problems) {
		return &exitError{exitConfig, err}
	}
	return err
}

func (p *program) warn(s *config.Snapshot) {
	for _, w := range s.Warnings {
		fmt.Fprintf(p.stderr, "warning: %s\n", w)
	}
}

// lineNamed returns a line of a configuration, the first for no name.
func lineNamed(s *config.Snapshot, name string) (*config.Line, error) {
	names := ""
	for i := range s.Lines {
		if name == "" || s.Lines[i].Recipe.Name == name {
			return &s.Lines[i], nil
		}
		names += " " + s.Lines[i].Recipe.Name
	}
	return nil, usageError("--line: no line is named %q; want one of%s", name, names)
}

// loadLine reads the configuration named, as load does, and returns a line of it.
func (p *program) loadLine(f *sourceFlags, name string) (*config.Line, error) {
	s, err := p.load(f)
	if err != nil {
		return nil, err
	}
	return lineNamed(s, name)
}

// linesNamed returns the line of a name, all lines for no name.
func linesNamed(s *config.Snapshot, name string) ([]*config.Line, error) {
	if name != "" {
		l, err := lineNamed(s, name)
		return []*config.Line{l}, err
	}
	out := make([]*config.Line, len(s.Lines))
	for i := range s.Lines {
		out[i] = &s.Lines[i]
	}
	return out, nil
}

// plural counts things in words.
func plural(n int, word string) string {
	if n != 1 {
		word += "s"
	}
	return fmt.Sprintf("%d %s", n, word)
}
