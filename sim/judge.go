package sim

import (
	"fmt"
	"math"

	"lapgate/sim/physics"
)

// Figures are what was truly done to a roll, SI and °C.
type Figures struct {
	Slot            int     `json:"slot"`
	SheetWidth      float64 `json:"sheet_width_m"`
	OverhangPoor    float64 `json:"overhang_poor_m"`
	OverhangRich    float64 `json:"overhang_rich_m"`
	LapPoor         float64 `json:"lap_poor_m"`
	OuterHead       float64 `json:"outer_head_m"`
	Encoder         float64 `json:"encoder_m"`
	Paper           float64 `json:"paper_m"`
	Layers          float64 `json:"layers"`
	LayersWound     float64 `json:"layers_wound"`
	Overlap         float64 `json:"overlap_m"`
	CrimpTurns      float64 `json:"crimp_turns"`
	BondTemperature float64 `json:"bond_c"`
	BondHeld        float64 `json:"bond_held_s"`
	FaceTemperature float64 `json:"face_c"`
	Mass            float64 `json:"mass_kg"`
	Scale           float64 `json:"scale_kg"`
}

// Judgement is the line's own on a finished wrap.
type Judgement struct {
	Good    bool     `json:"good"`
	Reasons []string `json:"reasons,omitempty"`
	Figures Figures  `json:"figures"`
}

// judge looks at the finished wrap with the true sizes of roll and sheet.
func (s *station) judge() Judgement {
	c, j, a := s.cfg, &s.job, &s.cfg.Accept
	f := s.figures
	slot := &c.Stand.Slots[j.slot]
	reasons := append([]string(nil), s.reasons...)
	bad := func(is bool, format string, args ...any) {
		if is {
			reasons = append(reasons, fmt.Sprintf(format, args...))
		}
	}
	mm := func(v float64) float64 { return v * 1e3 }

	f.Slot, f.SheetWidth, f.OuterHead = slot.Number, slot.Width, j.outerHead
	// The sheet hangs where it hangs; the roll is put where it was told.
	off := math.Abs(j.offset + s.centred - c.Centring.Offset)
	each := (slot.Width - s.roll.Width) / 2
	f.OverhangPoor, f.OverhangRich = each-off, each+off
	wrapped := s.outer()
	f.LapPoor = f.OverhangPoor - (wrapped-j.outerHead)/2

	bad(f.OverhangPoor < a.OverhangMin, "overhang on the poor side %.1f mm, want %.1f mm or more", mm(f.OverhangPoor), mm(a.OverhangMin))
	bad(f.OverhangRich > a.OverhangMax, "overhang on the rich side %.1f mm, want %.1f mm or less", mm(f.OverhangRich), mm(a.OverhangMax))
	core := c.core(s.roll.Core).Diameter
	bad(f.OverhangRich > (wrapped-core)/2, "fold of %.1f mm reaches the core", mm(f.OverhangRich))
	if j.outerHead > 0 {
		bad(f.LapPoor < a.LapMin, "lap under the outer head %.1f mm, want %.1f mm or more", mm(f.LapPoor), mm(a.LapMin))
		bad(j.outerHead > wrapped+0.002, "outer head of %.0f mm is larger than the roll of %.0f mm", mm(j.outerHead), mm(wrapped))
	} else {
		bad(true, "no outer head fits")
	}
	if j.toldWidth > 0 {
		bad(math.Abs(j.toldWidth-slot.Width) > a.WidthError, "slot %d holds a wrapper of %.1f mm, told was %.1f mm", slot.Number, mm(slot.Width), mm(j.toldWidth))
	}
	bad(s.ranOut, "wrapper ran out after %.2f m", f.Paper)
	fed := j.counts / c.Wrap.CountsPerMetre
	bad(math.Abs(f.Paper-fed) > a.FeedError*fed, "%.3f m of paper on the roll, wanted %.3f m", f.Paper, fed)
	bad(f.Overlap < j.overlap-a.OverlapShort, "%g layers overlap by %.1f mm, want %.1f mm or more", j.layers, mm(f.Overlap), mm(j.overlap-a.OverlapShort))
	bad(f.Overlap > j.overlap+a.OverlapLong, "%g layers overlap by %.1f mm, want %.1f mm or less", j.layers, mm(f.Overlap), mm(j.overlap+a.OverlapLong))
	bad(f.LayersWound < j.layers, "%.2f layers on the roll, want %g", f.LayersWound, j.layers)
	bad(math.Abs(j.feed-j.turning) > a.SpeedMatch*j.turning, "feed rolls run at %.3f m/s, turning rolls at %.3f m/s", j.feed, j.turning)
	bad(f.CrimpTurns < a.CrimpTurns, "%.2f crimp turns, want %.2f or more", f.CrimpTurns, a.CrimpTurns)
	bad(math.Abs(f.CrimpTurns-j.crimpTurns) > a.CrimpError, "%.2f crimp turns, wanted %.2f", f.CrimpTurns, j.crimpTurns)
	if j.centreHeight > 0 {
		h := physics.CentreHeight(wrapped, c.Cradle.Diameter, c.Cradle.Spacing)
		bad(math.Abs(h-j.centreHeight) > a.CentreHeight, "roll centre at %.1f mm, told was %.1f mm", mm(h), mm(j.centreHeight))
	}
	bad(f.BondTemperature < a.Bond, "bond line reached %.1f °C, want %.1f °C", f.BondTemperature, a.Bond)
	bad(f.BondHeld < a.BondHold, "bond line held %.1f °C for %.2f s, want %.2f s", a.Bond, f.BondHeld, a.BondHold)
	bad(f.FaceTemperature > a.Scorch, "head scorched at %.1f °C", f.FaceTemperature)
	if j.gross > 0 {
		bad(math.Abs(f.Scale-j.gross) > j.tolerance*j.gross, "scale reads %.1f kg, expected %.1f kg within %.2f %%", f.Scale, j.gross, j.tolerance*100)
	}
	return Judgement{Good: len(reasons) == 0, Reasons: reasons, Figures: f}
}
