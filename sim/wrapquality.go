package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"

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
	Dwell           float64 `json:"header_dwell_s"`
	LayersWound     float64 `json:"layers_wound"`
	Overlap         float64 `json:"overlap_m"`
	CrimpTurns      float64 `json:"crimp_turns"`
	BondTemperature float64 `json:"bond_c"`
	BondHeld        float64 `json:"bond_held_s"`
	FaceTemperature float64 `json:"face_c"`
	ScorchDose      float64 `json:"scorch_dose_s"` // at 180 °C
	RingPressure    float64 `json:"ring_pressure_pa"`
	Unbonded        float64 `json:"unbonded"`     // share of the ring that was not pressed flat
	HeadProud       float64 `json:"head_proud_m"` // over the smallest diameter; negative inside
	Dry             bool    `json:"dry"`
	Mass            float64 `json:"mass_kg"`
	Scale           float64 `json:"scale_kg"`
}

// DefectKind names what is wrong with a wrap.
type DefectKind string

// The kinds of a bad wrap, and of a line that did not do what it was told.
const (
	SheetShort     DefectKind = "sheet-short"
	FoldOnCore     DefectKind = "fold-on-core"
	OverhangOff    DefectKind = "overhang"
	LapShort       DefectKind = "lap"
	HeadProud      DefectKind = "head-proud"
	BondNotReached DefectKind = "bond-not-reached"
	PaperScorched  DefectKind = "paper-scorched"
	CrimpOff       DefectKind = "crimp"
	WrongWrapper   DefectKind = "wrapper"
	SpeedsDiffer   DefectKind = "speed"
	HeightOff      DefectKind = "roll-centre"
	MassOff        DefectKind = "mass"
	PressFailed    DefectKind = "press"
)

// Defect is one thing that is wrong with a wrap. A defect without a quantity is
// said in words alone.
type Defect struct {
	Kind DefectKind `json:"kind"`
	What string     `json:"what"`
	// Quantity names what Got and Limit are of, with the unit of SI at its end,
	// as overhang_m; °C for temperatures.
	Quantity string  `json:"quantity,omitempty"`
	Got      float64 `json:"got"`
	Limit    float64 `json:"limit"`
	Side     Side    `json:"side,omitempty"`
}

// Side is on which side of its limit a quantity is good.
type Side string

// Sides.
const (
	AtLeast Side = "at least"
	AtMost  Side = "at most"
	About   Side = "about"
)

// Say tells the defect in words; measure writes a value of a named quantity.
func (d *Defect) Say(measure func(quantity string, value float64) string) string {
	if d.Quantity == "" {
		return d.What
	}
	return fmt.Sprintf("%s %s, want %s %s", d.What, measure(d.Quantity, d.Got), d.Side, measure(d.Quantity, d.Limit))
}

// String tells the defect in SI.
func (d Defect) String() string {
	return d.Say(func(name string, v float64) string {
		text := strconv.FormatFloat(v, 'g', 5, 64)
		for _, unit := range [][2]string{{"_m_s", " m/s"}, {"_m", " m"}, {"_kg", " kg"}, {"_c", " °C"}, {"_s", " s"}} {
			if strings.HasSuffix(name, unit[0]) {
				return text + unit[1]
			}
		}
		return text
	})
}

// Judgement is the line's own on a finished wrap.
type Judgement struct {
	Good    bool     `json:"good"`
	Defects []Defect `json:"defects,omitempty"`
	Figures Figures  `json:"figures"`
}

// Text is all that is wrong, in SI; empty for a good wrap.
func (j *Judgement) Text() string {
	var all []string
	for _, d := range j.Defects {
		all = append(all, d.String())
	}
	return strings.Join(all, "; ")
}

// wrapJudge gathers what is wrong with a wrap.
type wrapJudge struct{ defects []Defect }

func (w *wrapJudge) least(kind DefectKind, what, quantity string, got, limit float64) {
	if !(got >= limit) {
		w.defects = append(w.defects, Defect{kind, what, quantity, got, limit, AtLeast})
	}
}

func (w *wrapJudge) most(kind DefectKind, what, quantity string, got, limit float64) {
	if !(got <= limit) {
		w.defects = append(w.defects, Defect{kind, what, quantity, got, limit, AtMost})
	}
}

func (w *wrapJudge) near(kind DefectKind, what, quantity string, got, want, by float64) {
	if !(math.Abs(got-want) <= by) {
		w.defects = append(w.defects, Defect{kind, what, quantity, got, want, About})
	}
}

func (w *wrapJudge) words(is bool, kind DefectKind, what string) {
	if is {
		w.defects = append(w.defects, Defect{Kind: kind, What: what})
	}
}

// judgeWrap looks at the finished wrap with the true sizes of roll and sheet.
func (s *station) judgeWrap() Judgement {
	f := &s.figures
	f.Slot, f.SheetWidth, f.OuterHead = s.cfg.Stand.Slots[s.job.slot].Number, s.sheetWidth(), s.job.outerHead
	f.Dwell = s.job.dwell
	w := &wrapJudge{defects: append([]Defect(nil), s.defects...)}
	s.judgeOverhang(w)
	s.judgePaper(w)
	s.judgeCrimp(w)
	if !s.cfg.Headless {
		s.judgePress(w)
	}
	if j := &s.job; j.gross > 0 {
		w.near(MassOff, "scale reads", "mass_kg", f.Scale, j.gross, j.tolerance*j.gross)
	}
	return Judgement{Good: len(w.defects) == 0, Defects: w.defects, Figures: *f}
}

// judgeOverhang looks at the sheet over the ends of the roll, and at the heads.
// Each limit is held where the roll is worst for it.
func (s *station) judgeOverhang(w *wrapJudge) {
	c, j, a, f, r := s.cfg, &s.job, &s.cfg.Accept, &s.figures, s.roll
	hangs, slot := s.hangs(j.slot), &c.Stand.Slots[j.slot]
	// The sheet cannot be moved. The roll is put where the line was told, and its
	// edges count, where a telescoped end stands out.
	off := math.Abs(j.offset + s.centred - c.Centring.Offset)
	each := (s.sheetWidth() - r.Width - r.telescoped(1)) / 2
	f.OverhangPoor, f.OverhangRich = each-off, each+off
	wrapper := s.outer() - r.Diameter // what it adds to a diameter
	head, placement := j.outerHead+s.truth.headSize, max(math.Abs(s.truth.placement[0]), math.Abs(s.truth.placement[1]))
	f.LapPoor = f.OverhangPoor - (r.largest()+wrapper-head)/2 - placement
	w.least(OverhangOff, "overhang on the poor side", "overhang_m", f.OverhangPoor, a.OverhangMin)
	w.most(OverhangOff, "overhang on the rich side", "overhang_m", f.OverhangRich, a.OverhangMax)
	w.most(FoldOnCore, "fold reaches the core with", "fold_m", f.OverhangRich, (r.smallest()+wrapper-c.core(r.Core).Diameter)/2)
	w.words(j.outerHead == 0 && !c.Headless, HeadProud, "no outer head fits")
	if j.outerHead > 0 {
		w.least(LapShort, "lap under the outer head", "lap_m", f.LapPoor, a.LapMin)
		f.HeadProud = head + 2*placement - r.smallest()
		w.most(HeadProud, "outer head is larger than the roll by", "head_m", f.HeadProud, a.HeadOver)
	}
	if j.toldWidth > 0 {
		w.near(WrongWrapper, "width told of the wrapper", "width_m", j.toldWidth, hangs.Width, a.WidthError)
	}
	w.near(WrongWrapper, "caliper of the wrapper", "caliper_m", hangs.Caliper, slot.Caliper, a.CaliperError*slot.Caliper)
}

// judgePaper looks at the paper on the roll.
func (s *station) judgePaper(w *wrapJudge) {
	c, j, a, f := s.cfg, &s.job, &s.cfg.Accept, &s.figures
	w.words(s.ranOut, SheetShort, "the wrapper ran out")
	fed := j.counts / c.Wrap.CountsPerMetre
	w.near(SheetShort, "paper on the roll", "length_m", f.Paper, fed, a.FeedError*fed)
	w.least(SheetShort, "overlap of the layers", "overlap_m", f.Overlap, j.overlap-a.OverlapShort)
	w.most(SheetShort, "overlap of the layers", "overlap_m", f.Overlap, j.overlap+a.OverlapLong)
	w.least(SheetShort, "layers on the roll", "layers", f.LayersWound, j.layers)
	w.near(SpeedsDiffer, "feed rolls run at", "speed_m_s", j.feed*(1-s.trouble.worn), j.turning, a.SpeedMatch*j.turning)
}

// judgeCrimp looks at the fold.
func (s *station) judgeCrimp(w *wrapJudge) {
	c, j, a, f := s.cfg, &s.job, &s.cfg.Accept, &s.figures
	w.least(CrimpOff, "crimp turns", "turns", f.CrimpTurns, a.CrimpTurns)
	w.near(CrimpOff, "crimp turns", "turns", f.CrimpTurns, j.crimpTurns, a.CrimpError)
	if j.centreHeight > 0 {
		h := physics.CentreHeight(s.outer(), c.Cradle.Diameter, c.Cradle.Spacing)
		w.near(HeightOff, "height told of the roll centre", "height_m", j.centreHeight, h, a.CentreHeight)
	}
}

// judgePress looks at the heads and the bond.
func (s *station) judgePress(w *wrapJudge) {
	a, f := &s.cfg.Accept, &s.figures
	w.least(BondNotReached, "bond line reached", "bond_c", f.BondTemperature, a.Bond)
	w.least(BondNotReached, "bond line held its temperature for", "time_s", f.BondHeld, a.BondHold)
	w.words(s.cfg.Header.Water > 0 && !f.Dry, BondNotReached, "the glue is not dry")
	w.most(BondNotReached, "share of the ring that was not pressed flat", "unbonded", f.Unbonded, a.Unbonded)
	w.most(PaperScorched, "head scorched, in time at 180 °C, for", "time_s", f.ScorchDose, a.Dose)
}
