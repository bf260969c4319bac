package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe"
	"lapgate/recipe/caution"
)

func (p *program) stationCommand() *cobra.Command {
	var f daemonFlags
	var until string
	var yes bool
	r := control.Request{Command: control.Station}
	cmd := &cobra.Command{
		Use:   "station STATION manual|semi|auto --by NAME",
		Short: "Have a station worked by hand for a while, or as it is configured again",
		Long: `Station has a station of the line worked by hand from the next request on, without
a change of the configuration: its setpoints are neither computed nor sent. The
journal keeps who said so and until when.

It never changes back by itself. When the time of --until is over, which may also
be a time of day as 06:00, people are told, and the station stays as it is until
somebody names the mode that is configured. A restart changes nothing either.

The stations are those of equipment in the configuration: centring, stand, wrap,
crimp, glue, vacuum, heads, header, scale and drives.

` + folded(caution.ReachIn) + ` See that nobody is at the station before it moves by itself again.`,
		Example: `  lapgate station header manual --config mill.yaml --until 06:00 --by "Kim Berg" --reason "sensor of the upper platen"
  lapgate station header auto --config mill.yaml --by "Kim Berg"`,
		Args: takes("a station", "its mode"),
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		r.Station, r.Mode = args[0], args[1]
		switch {
		case r.By == "":
			return usageError("a station needs --by NAME; the journal keeps it")
		case until != "" && r.Mode != recipe.Manual.String():
			return usageError("--until is the end of work by hand; with %q leave it out", r.Mode)
		case until != "":
			if r.Until, err = readEnd(until, f.now(p)); err != nil {
				return err
			}
		}
		return p.act(cmd.Context(), &f, r, caution.ReachIn, yes)
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addUntil(cmd, &until)
	addPerson(cmd, &r.By, &r.Reason, "")
	addYes(cmd, &yes)
	return cmd
}
