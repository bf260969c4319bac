package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// build is what is known of the program itself.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Date     string `json:"date,omitempty"` // of the revision
	Modified bool   `json:"modified,omitempty"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func (b *build) String() string {
	return fmt.Sprintf("lapgate %s (%s, %s)", b.Version, b.Go, b.Platform)
}

// version names the very program, with the revision of its source where that is known.
func version() string {
	b := thisBuild()
	text := b.Version
	if b.Revision != "" {
		text += " " + b.Revision
	}
	if b.Modified {
		text += " modified"
	}
	return text
}

func thisBuild() build {
	b := build{Version: "devel", Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		b.Version = v
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.time":
			b.Date = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

func (p *program) versionCommand() *cobra.Command {
	var output outputFlags
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Args:  takes(),
		RunE: func(*cobra.Command, []string) error {
			return p.printer(output, nil).Print(thisBuild())
		},
	}
	output.add(cmd)
	return cmd
}
