package rehearse

import (
	"io"

	"lapgate/gateway/config"
	"lapgate/recipe/offline"
	"lapgate/sim"
)

// Rolls reads a list of rolls for a simulated line, by the rules of recipe/offline:
// the list that the command recipe takes, which may have what no scanner knows besides.
// The width that the samples of a roll differ by stands out at its end.
func Rolls(name string, in io.Reader, l *config.Line) ([]sim.Roll, error) {
	var rolls []sim.Roll
	for row, err := range offline.TrueRolls(name, in, sim.PermissiveNames(), &l.Recipe.Materials) {
		if err != nil {
			return nil, err
		}
		r, t := &row.Rolls[0], &row.Truth
		rolls = append(rolls, sim.Roll{
			Tag: r.Tag, Diameter: r.Diameter, Width: r.Width, Ovality: r.Ovality, Taper: t.Taper, Telescoping: max(t.Telescoping, r.WidthSpread),
			Grade: r.Grade, Core: r.Core, ScanAge: r.Age, Permissive: t.Permissive,
		})
	}
	return rolls, nil
}
