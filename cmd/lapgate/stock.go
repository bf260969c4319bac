package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe/caution"
)

func (p *program) stockCommand() *cobra.Command {
	var f daemonFlags
	var yes bool
	r := control.Request{Command: control.Stock, Heads: &control.Heads{}}
	cmd := &cobra.Command{
		Use:   "stock --material NAME --size SIZE --left N --by NAME",
		Short: "Tell how many heads of a size there are",
		Long: `Stock tells how many heads of one size are at the line, where heads.counted in the
configuration has them counted. Each roll that is wrapped takes one for each end; a
size of which too few are left is not chosen, and people are told before. A size
that nobody counted is in stock, as the configuration says. The journal keeps it,
and a replay decides by it too.

` + folded(caution.Ends),
		Example: `  lapgate stock --config mill.yaml --material board-poly --size "48 in" --left 120 --by "Kim Berg"`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if h := r.Heads; h.Material == "" || h.Size == "" || r.By == "" || !cmd.Flags().Changed("left") {
				return usageError("a count of heads needs --material NAME, --size SIZE, --left N and --by NAME; the journal keeps them")
			}
			return p.act(cmd.Context(), &f, r, caution.Ends, yes)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	fl := cmd.Flags()
	addMaterial(cmd, &r.Heads.Material, "")
	fl.StringVar(&r.Heads.Size, "size", "", "diameter of the heads, as \"48 in\"")
	fl.Uint32Var(&r.Heads.Count, "left", 0, "how many heads there are")
	addBy(cmd, &r.By, "")
	addYes(cmd, &yes)
	return cmd
}
