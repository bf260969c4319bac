package main

import (
	"cmp"
	"slices"

	"github.com/spf13/cobra"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// acts are the kinds of record that tell what somebody did or changed.
var acts = [...]record.Kind{record.KindConfig, record.KindMode, record.KindHold, record.KindOverride, record.KindConfirm, record.KindHang, record.KindStation, record.KindHeads, record.KindAlarm, record.KindAccept, record.KindCorrect, record.KindTakeover}

func (p *program) journalChanges() *cobra.Command {
	var window windowFlags
	var out outputFlags
	cmd := &cobra.Command{
		Use:   "changes PATH",
		Short: "Tell who did or changed what",
		Long: `Changes tells what was done and changed, one thing a line: each key of the
configuration with both values and where the new one stands, each start, arming,
hold, override, confirmation, wrapper hung, heads counted, station worked by hand and
alarm acknowledged or set aside, under the name that was given and as which user of
the operating system.`,
		Args: takes(oneJournal),
		RunE: func(cmd *cobra.Command, args []string) error {
			from, to, err := window.window(p.now())
			if err != nil {
				return err
			}
			of := fileSource(args[0])
			return of.read(cmd.Context(), func(r *journal.Reader) error {
				told := []record.Told{}
				for _, kind := range acts {
					records, err := r.List(cmd.Context(), journal.Filter{Kind: kind, From: from, To: to})
					if err != nil {
						return err
					}
					for _, s := range records {
						told = append(told, record.Tell(s)...)
					}
				}
				slices.SortStableFunc(told, func(a, b record.Told) int { return cmp.Compare(a.Seq, b.Seq) })
				return p.printer(out, nil).Print(told)
			})
		},
	}
	window.add(cmd)
	out.add(cmd)
	return cmd
}
