package check_test

import (
	"math"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/quantity"
	"lapgate/recipe/reel"
)

// each case changes a good roll so that one thing is wrong. It names every
// finding that must come, in order, and what the first one says.
var cases = []struct {
	name  string
	edit  func(*scene)
	codes []recipe.Code
	field string
	where string
	text  string // part of the sentence
}{
	{"operator hold", func(s *scene) { s.ctx.HoldAll = true }, codes(check.OperatorHold), "hold_all", "", "release the hold"},
	{"open value", func(s *scene) {
		s.line.Open = []recipe.Open{{Key: "papers.0.caliper", Where: "mill.yaml:7", StandsIn: "0.3 mm", How: "measure it"}, {Key: "lines.0.wrap.tension"}}
	}, codes(check.ValueOpen), "open", "mill.yaml:7", "papers.0.caliper is open, and 0.3 mm stands in; open besides: 1"},
	{"duplicate", func(s *scene) { s.ctx.Duplicate = true }, codes(check.RollDuplicate), "roll_no", "", "roll number 12 already has an outcome"},
	{"out of order", func(s *scene) { s.ctx.LastRoll = 13 }, codes(check.RollOutOfOrder), "roll_no", "", "12 is below 13"},
	{"no tag", func(s *scene) { s.roll.Tag = "" }, codes(check.RollTagMissing), "roll", "", "no tag"},

	{"stale", func(s *scene) { s.roll.Age = 120.01 }, codes(check.ScanStale), "age_s", "mill.yaml:10", "120.01 s old, allowed is 120 s"},
	{"age not a number", func(s *scene) { s.roll.Age = math.NaN() }, codes(check.ScanStale), "age_s", "mill.yaml:10", "measure the roll again"},
	{"age below zero", func(s *scene) { s.roll.Age = -1 }, codes(check.ScanStale), "age_s", "mill.yaml:10", ""},
	{"quality", func(s *scene) { s.roll.Quality = 0.69 }, codes(check.ScanQuality), "quality", "", "0.69, wanted is at least 0.7"},
	{"reading of two rolls", func(s *scene) { s.roll.Readings.TwoRolls = "the reading of \"A\" fits two" }, codes(check.ScannerTwoRolls), "readings", "", "fits two"},
	{"readings differ", func(s *scene) { s.roll.Readings.Differ = "read twice" }, codes(check.ScannerDiffers), "readings", "", "read twice"},
	{"no reading", func(s *scene) { s.roll.Readings.Missing = true }, codes(check.ScannerMissing), "readings", "", "the controller's measurement is used"},
	{"reading of no roll", func(s *scene) { s.roll.Readings.NoRoll = "the reading of \"B\" fits no roll" }, codes(check.ScannerNoRoll), "readings", "", "fits no roll"},
	{"no order", func(s *scene) { s.roll.OrderMissing = true }, codes(check.OrderMissing), "order", "", "check the tag"},
	{"ovality", func(s *scene) { s.roll.Ovality = 0.021 }, codes(check.ScanOvality), "ovality", "", "out of round"},
	{"spread", func(s *scene) { s.roll.WidthSpread = 0.0201 }, codes(check.ScanWidthSpread, check.ScanTelescoped), "width_spread_m", "", "0.0201 m"},
	{"telescoped", func(s *scene) { s.roll.WidthSpread = 0.0151 }, codes(check.ScanTelescoped), "width_spread_m", "", "stand out by 0.0151 m"},
	{"diameter", func(s *scene) { s.line.Limits.Diameter.Max = 1.1999 }, codes(check.DiameterRange), "diameter_m", "mill.yaml:11", "allowed is 0.3 m to 1.1999 m"},
	{"diameter in the guard band", func(s *scene) { s.line.Limits.Diameter.Max = 1.2009 }, codes(check.DiameterRange), "diameter_m", "mill.yaml:11", "1.2 m ± 0.00103 m"},
	{"width", func(s *scene) { s.line.Limits.Width.Min = 1.001 }, codes(check.WidthRange), "width_m", "", "1 m ± 0.000824 m"},
	{"no core", func(s *scene) { s.roll.Core = 0 }, codes(check.CoreMissing), "core", "", "largest core"},

	{"order width", func(s *scene) { s.roll.Order = &recipe.Order{ID: "O-1", Width: 1.03} }, codes(check.OrderWidth), "width_m", "mill.yaml:14", `order "O-1" wants 1.03 m ± 0.025 m`},
	{"order diameter", func(s *scene) { s.roll.Order = &recipe.Order{ID: "O-1", Diameter: 1.1} }, codes(check.OrderDiameter), "diameter_m", "", "1.1 m ± 0.05 m"},
	{"order grade", func(s *scene) { s.roll.Order = &recipe.Order{ID: "O-1", Grade: 5} }, codes(check.OrderGrade), "grade", "", "names 5"},

	{"permissive", func(s *scene) { s.stand.Permissives = 0x37 }, codes(check.PermissiveOff), "permissives", "mill.yaml:12", "permissive bit 3 is off; clear its cause at the line, then press retry. Lock out and tag out before reaching in."},
	{"permissives", func(s *scene) { s.stand.Permissives = 0x2B }, codes(check.PermissiveOff), "permissives", "mill.yaml:12", "permissive bit 2 is off, and 1 more"},
	{"maintenance", func(s *scene) { s.stand.Mode = 2 }, codes(check.UnitMode), "mode", "", "maintenance"},
	{"manual mode", func(s *scene) { s.stand.Mode = 3 }, codes(check.UnitMode), "mode", "", "manual"},
	{"no mode", func(s *scene) { s.stand.Mode = 0 }, codes(check.UnitModeUnknown), "mode", "", "unit mode 0"},
	{"clearing", func(s *scene) { s.stand.State = 1 }, codes(check.UnitState), "state", "", "clearing"},
	{"stopped", func(s *scene) { s.stand.State = 2 }, codes(check.UnitState), "state", "", "stopped"},
	{"stopping", func(s *scene) { s.stand.State = 7 }, codes(check.UnitState), "state", "", "stopping"},
	{"aborting", func(s *scene) { s.stand.State = 8 }, codes(check.UnitState), "state", "", "aborting"},
	{"aborted", func(s *scene) { s.stand.State = 9 }, codes(check.UnitState), "state", "", "aborted"},

	{"roll invalid", func(s *scene) { s.roll.Diameter = math.NaN() }, codes(recipe.RollInvalid), "diameter_m", "", "not a number"},
	{"roll invalid twice", func(s *scene) { s.roll.Width, s.roll.WidthU = 0, -1 }, codes(recipe.RollInvalid, recipe.RollInvalid), "width_m", "", ""},
	{"grade unknown", func(s *scene) { s.roll.Grade, s.roll.Spec = 99, "plain" }, codes(recipe.GradeUnknown), "grade", "", "grade 99"},
	{"grade unknown, no specification", func(s *scene) { s.roll.Grade = 99 }, codes(recipe.GradeUnknown, recipe.SpecMissing), "grade", "", ""},
	{"core unknown", func(s *scene) { s.roll.Core = 9 }, codes(recipe.CoreUnknown), "core", "", "core 9"},
	{"specification missing", func(s *scene) { s.roll.Grade = 0 }, codes(recipe.SpecMissing), "spec", "", "send the order"},
	{"specification unknown", func(s *scene) { s.roll.Spec = "fancy" }, codes(recipe.SpecUnknown), "spec", "", `"fancy"`},
	{"head unknown", func(s *scene) { s.line.Materials.Specs[0].Head = "tin" }, codes(recipe.HeadUnknown), "head", "", `"tin"`},
	{"inner head unknown", func(s *scene) { s.line.Materials.Specs[0].InnerHead = "tin" }, codes(recipe.InnerHeadUnknown), "inner_head", "", `"tin"`},
	{"no head size", func(s *scene) { s.line.Materials.Stock[0].Diameters = []float64{1.4, 1.3} }, codes(recipe.NoHeadSize), "outer_head_m", "mill.yaml:50", "sizes in stock from 1.3 m"},
	{"no inner head size", func(s *scene) { s.line.Materials.Stock[1].Diameters = nil }, codes(recipe.NoInnerHeadSize), "inner_head_m", "", "no size in stock"},
	{"no window by the core", func(s *scene) { s.line.Crimp.Clearance = 0.5 }, codes(recipe.NoWindow), "overhang_m", "", "clearance of the fold to the core allows"},
	{"no window by the lap", func(s *scene) { s.line.Materials.Specs[0].MinLap = 0.2 }, codes(recipe.NoWindow), "overhang_m", "mill.yaml:31", "least lap on the outer head asks for"},

	{"no slot: width", func(s *scene) { s.roll.Width = 1.45 }, codes(recipe.NoSlot), "wrapper_slot", "", "Slot 3 is the nearest to serve"},
	{"no slot: not ready", func(s *scene) { s.stand.Ready[1] = false }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "slot 2 (1.25 m) not ready, slot 3 (1.6 m) too wide. Slot 2 is the nearest to serve"},
	{"no slot: too little left", func(s *scene) { s.stand.Outer[1] = 0.09 }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "Slot 2 is the nearest to serve: 6 m left, 16.5 m needed"},
	{"no slot: material", func(s *scene) { s.line.Stand.Slots[1].Paper = "silk" }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "slot 2 (1.25 m) material not allowed by the specification, slot 3 (1.6 m) too wide. Slot 2 is the nearest to serve"},
	{"no slot: empty", func(s *scene) { s.line.Stand.Slots[1].Unusable = recipe.Empty }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "slot 2 (1.25 m) empty, slot 3 (1.6 m) too wide. Slot 2 is the nearest to serve"},
	{"no slot: out of service", func(s *scene) { s.line.Stand.Slots[1].Unusable = recipe.OutOfService }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "slot 2 (1.25 m) out of service"},
	{"no slot: being hung", func(s *scene) { s.line.Stand.Slots[1].Unusable = recipe.BeingHung }, codes(recipe.NoSlot), "wrapper_slot", "mill.yaml:20", "slot 2 (1.25 m) being hung, slot 3 (1.6 m) too wide. Slot 2 is the nearest to serve"},
	{"new wrapper", func(s *scene) { s.line.Stand.Slots[1].NewlyHung = true }, codes(check.NewWrapper), "wrapper_slot", "mill.yaml:20", `1.25 m of "kraft" and lies with the right side out, confirm that at the panel or with lapgate confirm`},
	{"new wrapper in another slot", func(s *scene) { s.line.Stand.Slots[0].NewlyHung = true }, nil, "", "", ""},
	{"new wrapper, confirmed at the panel", func(s *scene) { s.line.Stand.Slots[1].NewlyHung, s.stand.Confirmed = true, 2 }, nil, "", "", ""},
	{"new wrapper, confirmed by command", func(s *scene) {
		s.line.Stand.Slots[1].NewlyHung = true
		s.ctx.Confirmed = []check.Confirmation{{Code: check.NewWrapper, By: "Kim Berg"}}
	}, nil, "", "", ""},
	{"new wrapper, something else confirmed", func(s *scene) {
		s.line.Stand.Slots[1].NewlyHung = true
		s.ctx.Confirmed = []check.Confirmation{{Code: check.NarrowRoll, By: "Kim Berg"}}
	}, codes(check.NewWrapper), "wrapper_slot", "mill.yaml:20", "the first roll on the wrapper"},
	{"no slots", func(s *scene) { s.line.Stand.Slots = nil }, codes(recipe.NoSlot), "wrapper_slot", "", "the stand has no slots"},
	{"manual stand", func(s *scene) { s.line.Equipment.Stand = recipe.Manual }, codes(recipe.SlotUnconfirmed), "slot_confirmed", "", "wrapper of slot 2, 1.25 m wide"},
	{"manual stand, wrong slot", func(s *scene) { s.line.Equipment.Stand, s.stand.Confirmed = recipe.Manual, 3 }, codes(recipe.SlotUnfit), "slot_confirmed", "", "too wide with 1.6 m"},
	{"manual stand, unknown slot", func(s *scene) { s.line.Equipment.Stand, s.stand.Confirmed = recipe.Manual, 6 }, codes(recipe.SlotUnfit), "slot_confirmed", "", "not in the configuration"},
	{"manual stand, confirmed", func(s *scene) { s.line.Equipment.Stand, s.stand.Confirmed = recipe.Manual, 2 }, nil, "", "", ""},

	{"cradle", func(s *scene) { s.line.Cradle.Spacing = 0.4 }, codes(recipe.CradleRefuses), "diameter_m", "", "turning rolls overlap"},
	{"wrap settings", func(s *scene) { s.line.Wrap.Speed = 0 }, codes(recipe.WrapIncalculable), "feed_length_m", "", "counts_per_metre"},
	{"crimp settings", func(s *scene) { s.line.Crimp.Decel = -1 }, codes(recipe.CrimpIncalculable), "crimp_time_s", "", "crimp_speed"},
	{"bond above platen", func(s *scene) { s.line.Materials.Stock[0].BondTarget = 175 }, codes(recipe.BondAbovePlaten), "header_temperature_c", "mill.yaml:51", "must reach 175 °C, but the cooler platen is taken at 171 °C and cannot give that; platens 4 K hotter"},
	{"bond above platen, read in °F", func(s *scene) {
		s.line.Materials.Stock[0].BondTarget = 175
		s.line.Units = map[quantity.Dimension]string{quantity.Temperature: "°F", quantity.TemperatureDifference: "°F"}
	}, codes(recipe.BondAbovePlaten), "header_temperature_c", "mill.yaml:51", "must reach 347 °F, but the cooler platen is taken at 339.8 °F and cannot give that; platens 8 °F hotter"},
	{"header settings", func(s *scene) { s.line.Header.Backing = -1 }, codes(recipe.HeaderIncalculable), "header_dwell_s", "", "backing_effusivity"},

	{"turning drive settings", func(s *scene) { s.line.Drives.Turning.Gear = 0 }, codes(recipe.DriveIncalculable), "turning_hz", "", "gear ratio is not positive; correct drives.turning"},
	{"press settings", func(s *scene) { s.line.Header.Cylinders = 0 }, codes(recipe.ContactIncalculable), "contact_pressure_pa", "", "cylinder_bore"},
	{"glue settings", func(s *scene) {
		s.line.Materials.Specs[0].Head, s.line.Glue.Coverage = "inner", -1
		s.stand.Platen = 110
	}, codes(recipe.GlueIncalculable), "glue_mass_kg", "", "coverage"},
	{"centring settings", func(s *scene) { s.line.Centring.Target = math.NaN() }, codes(recipe.CentringIncalculable, check.VacuumNone), "centring_offset_m", "", "target"},
	{"mass settings", func(s *scene) { s.line.Materials.Grades[0].Density = 0 }, codes(recipe.GripUnknown, recipe.MassIncalculable), "grade", "", "75 N"},

	{"narrow", func(s *scene) { s.line.Cradle.MinRatio = 0.9 }, codes(check.NarrowRoll), "width_m", "", "chocked or steadied"},
	// A roll of 1.2 × 1 m whose centre is 0.6·cos φ above its contacts.
	{"may tip", func(s *scene) { s.line.Cradle.MinTip = 45 }, codes(check.NarrowRoll), "width_m", "", "degrees; keep clear"},
	{"too narrow", func(s *scene) { s.line.Cradle.NeverRatio = 0.9 }, codes(check.TooNarrow), "width_m", "", "no steadying"},
	{"steadied", func(s *scene) {
		s.line.Cradle.MinRatio = 0.9
		s.ctx.Confirmed = []check.Confirmation{{Code: check.NarrowRoll, By: "Kim Berg"}}
	}, codes(check.NarrowConfirmed), "width_m", "", "Kim Berg confirmed"},
	{"too narrow though confirmed", func(s *scene) {
		s.line.Cradle.NeverRatio = 0.9
		s.ctx.Confirmed = []check.Confirmation{{Code: check.NarrowRoll, By: "Kim Berg"}}
	}, codes(check.TooNarrow), "width_m", "", "take it away"},
	{"contact angle", func(s *scene) { s.line.Cradle.Spacing = 1.4 }, codes(check.ContactAngle), "diameter_m", "", "allowed are 60 degrees"},
	{"brake too strong", func(s *scene) { s.line.Wrap.Tension = 3000 }, codes(recipe.NoGrip), "diameter_m", "", "ease the brake"},
	{"centring tolerance", func(s *scene) { s.line.Centring.Target = 0.195 }, codes(check.CentringRange), "centring_offset_m", "", "give or take 0.01 m"},
	{"short for the crimpers", func(s *scene) { s.line.Crimp.Spacing = 1.01 }, codes(check.RollShort), "width_m", "", "one end after the other"},
	{"crimper position", func(s *scene) { s.line.Limits.CrimperPos.Max = 0.6 }, codes(check.CrimperPosition), "crimper_position_m", "", "0.6009 m, allowed is 0.05 m to 0.6 m"},
	{"crimper pressure", func(s *scene) { s.line.Limits.CrimperPres.Max = 6.8e6 }, codes(check.CrimperPressure), "crimper_pressure_pa", "", "6900000 Pa"},
	{"no crimper pressure", func(s *scene) { s.line.Crimp.Pressure = 0 }, nil, "", "", ""},
	{"roll centre", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.RollCentreHeight = 0.6 } }, codes(check.CentreHeight), "roll_centre_height_m", "", "the cradle makes it 0.742"},
	{"thick fold", func(s *scene) { s.line.Limits.FoldLayers = 8 }, codes(check.FoldThick), "overhang_m", "", "9 thicknesses"},
	{"no crimper wheel", func(s *scene) { s.line.Crimp.Blades, s.line.Limits.FoldLayers = 0, 8 }, nil, "", "", ""},

	{"drive above its limit", func(s *scene) { s.line.Drives.Turning.Limits.Max = 25 }, codes(check.DriveRange), "turning_hz", "", "25.539908 Hz, the drive may run 2 Hz to 25 Hz"},
	{"drive below its limit", func(s *scene) { s.line.Drives.Crimper.Limits.Min = 19 }, codes(check.DriveRange), "crimper_hz", "", "19 Hz to 80 Hz"},
	{"crimpers as fast as they go", func(s *scene) { s.line.Drives.Crimper.Limits.Max = 15 }, nil, "", "", ""},
	{"cooling", func(s *scene) { s.line.Drives.Feed.CoolingHz = 26 }, codes(check.DriveCooling), "feed_hz", "", "runs hot"},
	{"above base", func(s *scene) { s.line.Wrap.Speed = 1.6 }, codes(check.DriveAboveBase, check.DriveAboveBase), "turning_hz", "", "base frequency of 60 Hz"},
	{"turning and wrap speed", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.WrapSpeed = 0.62 } }, codes(check.TurningSpeed), "turning_hz", "", "the wrap speed is 0.62 m/s"},
	{"taper", func(s *scene) { s.roll.Taper = 0.03 }, codes(check.OverlapShort), "feed_length_m", "", "feed more overlap"},
	{"feed and turning speed", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.FeedHz = 26 } }, codes(check.FeedTurning), "feed_hz", "", "sags or tears"},
	{"stated draw", func(s *scene) { s.line.Wrap.Draw = 0.03 }, nil, "", "", ""},
	{"no drives", func(s *scene) { s.line.Equipment.Drives = recipe.Absent; s.line.Drives.Feed.Gear = 0 }, nil, "", "", ""},

	{"outer head too large", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.OuterHead = 1.21 } }, codes(check.HeadSize), "outer_head_m", "", "outer head of 1.21 m stands out beyond the 1.192881 m"},
	{"inner head too large", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.InnerHead = 1.3 } }, codes(check.HeadSize), "inner_head_m", "", "inner head of 1.3 m"},
	// 0.125 − 0.010 − (1.2 − 1.0)/2 = 0.015 m.
	{"outer head too small", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.OuterHead = 1.0 } }, codes(check.HeadLap), "outer_head_m", "mill.yaml:31", "by only 0.009767 m on its poor side"},
	{"inner head leaves much bare", func(s *scene) { s.line.Heads.InnerBare = 0.04 }, codes(check.InnerHeadBare), "inner_head_m", "", "ring of 0.0509 m bare"},
	{"no core plug", func(s *scene) { s.line.Heads.Plugs = []float64{0.06} }, codes(check.CorePlug), "core", "", "bore of 0.07 m"},
	{"no plugs at hand", func(s *scene) { s.line.Heads.Plugs = nil }, nil, "", "", ""},
	{"glue range", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.GlueMass = 2.1 } }, codes(check.GlueRange), "glue_mass_kg", "", "2.1 kg, allowed is 0 kg to 2 kg"},
	{"stroke range", func(s *scene) { s.line.Limits.Stroke.Max = 1.2 }, codes(check.StrokeRange), "platen_stroke_m", "", "1.3 m"},
	{"contact pressure range", func(s *scene) { s.line.Limits.Contact.Min = 90e3 }, codes(check.ContactRange), "contact_pressure_pa", "", "relief setting"},
	{"contact pressure not known", func(s *scene) { s.line.Header.Pressure, s.line.Limits.Contact.Min = 0, 11e3 }, nil, "", "", ""},
	{"no vacuum", func(s *scene) { s.line.Vacuum.Edges = []float64{0.7} }, codes(check.VacuumNone), "vacuum_zones", "", "the innermost needs 1.4 m"},
	{"centring offset", func(s *scene) { s.line.Centring.Target = -0.21 }, codes(check.CentringRange), "centring_offset_m", "", "0.2 m either way"},
	{"gross range", func(s *scene) { s.line.Limits.Gross.Max = 700 }, codes(check.GrossRange), "gross_kg", "", "±"},
	{"nobody tells the density", func(s *scene) { s.roll.Grade, s.roll.Spec = 0, "plain" }, codes(recipe.GripUnknown), "grade", "", "slips under 75 N"},
	{"no density", func(s *scene) { s.line.Wrap.Tension, s.line.Crimp.Drag = 0, 0; s.roll.Grade, s.roll.Spec = 0, "plain" }, codes(check.DensityUnknown), "gross_kg", "", "neither grade nor order"},
	{"density of the order", func(s *scene) {
		s.roll.Grade, s.roll.Spec, s.roll.Order = 0, "plain", &recipe.Order{ID: "O-1", Density: 700}
	}, nil, "", "", ""},
	{"weighed before", func(s *scene) { s.roll.KnownWeight = 900 }, codes(check.KnownWeight), "known_weight_kg", "", "weighed at 900 kg"},
	{"weighed before, right", func(s *scene) { s.roll.KnownWeight = 732 }, nil, "", "", ""},
	// 100 mm on a core of 76.2 mm are 11 m at 0.3 mm.
	{"few rolls left", func(s *scene) { s.line.Stand.Reserve = 0.2; s.stand.Outer[1] = 0.12 }, codes(check.StockLow), "wrapper_slot", "", "slot 2 lasts for no more roll like it; have the next wrapper roll ready, and tell with lapgate hang --slot 2"},
	{"consumption and diameter differ", func(s *scene) { s.stand.Counted[1] = reel.Estimate{Length: 500, U: 2, Known: true} }, codes(check.StockDiffers), "outer_m", "", "the lesser is taken"},
	{"consumption alone", func(s *scene) {
		s.stand.Outer[1], s.stand.Counted[1] = 0, reel.Estimate{Length: 500, U: 2, Known: true}
	}, nil, "", "", ""},

	{"slot of no stand", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.Slot = 5 } }, codes(check.SlotWidth, check.StockUnknown), "wrapper_slot", "", "slot 5 is not in the configuration"},
	{"width of another slot", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.Slot = 1 } }, codes(check.SlotWidth), "wrapper_width_m", "", "slot 1 holds a wrapper of 1 m"},
	{"overhang of another roll", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.Overhang = 0.12 } }, codes(check.SlotWidth), "overhang_m", "", "wrapper and roll give 0.125 m"},
	{"overhang outside", func(s *scene) {
		s.override = func(r *recipe.Recipe) { r.Setpoints.Slot, r.Setpoints.WrapperWidth, r.Setpoints.Overhang = 3, 1.6, 0.3 }
	}, codes(check.OverhangRange), "overhang_m", "mill.yaml:30", "greatest overhang of the specification"},
	{"another slot confirmed", func(s *scene) { s.stand.Confirmed = 3 }, codes(check.SlotConfirmed), "slot_confirmed", "", "confirmed slot 3, the recipe takes slot 2"},
	{"stock unknown", func(s *scene) { s.stand.Outer[1] = 0 }, codes(check.StockUnknown), "outer_m", "", "no outer diameter for slot 2"},

	{"feed range", func(s *scene) { s.line.Limits.FeedLength.Max = 11.45 }, codes(check.FeedLengthRange), "feed_length_m", "", "allowed is 1 m to 11.45 m"},
	{"feed guard band", func(s *scene) { s.line.Limits.FeedLength.Max = 11.48 }, codes(check.FeedLengthRange), "feed_length_m", "", "±"},
	{"feed and layers", func(s *scene) {
		s.override = func(r *recipe.Recipe) { r.Setpoints.FeedLength = 8; r.Setpoints.FeedCounts = 16000 }
	}, codes(check.FeedLayers), "feed_length_m", "", "3 layers need"},
	{"feed and counts", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.FeedCounts += 2 } }, codes(check.FeedCounts), "feed_counts", "", "encoder counts"},
	{"wrap time range", func(s *scene) { s.line.Limits.WrapTime.Max = 20 }, codes(check.WrapTimeRange), "wrap_time_s", "", "1 s to 20 s"},
	{"wrap time and speed", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.WrapTime = 19 } }, codes(check.WrapTimeSpeed), "wrap_time_s", "", "at full speed"},
	{"crimp turns range", func(s *scene) { s.line.Limits.CrimpTurns.Max = 1.2 }, codes(check.CrimpTurnsRange), "crimp_turns", "", "1.25"},
	{"crimp time range", func(s *scene) { s.line.Limits.CrimpTime.Max = 10 }, codes(check.CrimpTimeRange), "crimp_time_s", "", "1 s to 10 s"},
	{"crimp time and turns", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.CrimpTurns = 2 } }, codes(check.CrimpTimeTurns), "crimp_time_s", "", "2 turns take"},
	{"platen setpoint range", func(s *scene) { s.line.Limits.Temperature.Max = 170 }, codes(check.HeaderTemperature), "header_temperature_c", "", "80 °C to 170 °C"},
	{"dwell range", func(s *scene) { s.line.Limits.Dwell.Max = 3 }, codes(check.DwellRange), "header_dwell_s", "", "0.5 s to 3 s"},
	{"dwell too short", func(s *scene) { s.override = func(r *recipe.Recipe) { r.Setpoints.HeaderDwell = 2 } }, codes(check.DwellShort), "header_dwell_s", "", "wanted is at least 24."},
	{"platen setpoint too low", func(s *scene) {
		s.override = func(r *recipe.Recipe) { r.Setpoints.HeaderTemperature = 168 }
	}, codes(check.DwellShort), "header_dwell_s", "", "under a platen of 165 °C"},
	{"platen setpoint above any", func(s *scene) {
		s.line.Limits.Temperature.Max, s.line.Limits.PlatenBand, s.line.Limits.Dose, s.line.Limits.Stuck = 300, 100, 3600, 1
		s.override = func(r *recipe.Recipe) { r.Setpoints.HeaderTemperature = 201 }
	}, codes(check.HeaderTemperature), "header_temperature_c", "", "none may be above 200 °C"},
	{"closing temperature too low", func(s *scene) {
		s.override = func(r *recipe.Recipe) { r.Setpoints.CloseMin = 160 }
	}, codes(check.DwellShort), "header_dwell_s", "", "under a platen of 160 °C"},
	{"a platen at 30 °C", func(s *scene) { s.stand.Platen = 30 }, codes(recipe.BondAbovePlaten), "header_temperature_c", "mill.yaml:51", "taken at 27 °C"},
	{"platen cold", func(s *scene) { s.stand.Platen = 166.9 }, codes(check.PlatenTemperature), "platen_c", "", "cooler platen is at 166.9 °C"},
	{"hotter platen", func(s *scene) { s.stand.PlatenHot = 184 }, codes(check.PlatenTemperature), "platen_hot_c", "", "hotter platen is at 184 °C"},
	{"platen too hot", func(s *scene) { s.stand.PlatenHot, s.line.Limits.Dose = 206, 3600 }, codes(check.PlatenHot), "platen_hot_c", "", "keep the press open"},
	{"platens the wrong way round", func(s *scene) { s.stand.PlatenHot = 172 }, codes(check.PlatenOrder), "platen_hot_c", "", "correct the program"},
	{"stuck press", func(s *scene) {
		s.stand.Platen, s.stand.PlatenHot, s.line.Limits.PlatenBand, s.line.Limits.Stuck = 183, 183, 100, 100
	}, codes(check.StuckPress), "header_temperature_c", "", "stays closed for 100 s at 183 °C"},
	{"scorched", func(s *scene) { s.line.Limits.Dose, s.line.Limits.Stuck = 1, 0.5 }, codes(check.ScorchDose), "header_dwell_s", "", "may suffer as much as in"},
	{"platen not measured", func(s *scene) { s.stand.Platen = 0 }, codes(check.PlatenUnknown), "platen_c", "", "press retry"},
	{"platen not given", func(s *scene) { s.stand.Platen, s.stand.Offline = 0, true }, codes(check.PlatenAssumed), "platen_c", "", "--platen"},
	{"platen not a number", func(s *scene) { s.stand.Platen = math.NaN() }, codes(check.PlatenUnknown), "platen_c", "", ""},
	{"conductance too uncertain", func(s *scene) { s.line.Header.ConductanceU = 91 }, codes(recipe.PressNotMeasured), "header_dwell_s", "", "one thermocouple curve"},
	{"head for a coated side", func(s *scene) { s.line.Materials.Stock[0].BondsTo = recipe.BondsToCoated }, codes(check.BondSide), "outer_head_m", "", "bonds to a coated side"},
	{"head for a coated side on one", func(s *scene) {
		s.line.Materials.Stock[0].BondsTo, s.line.Materials.Papers[0].CoatedSide = recipe.BondsToCoated, recipe.CoatedOut
	}, nil, "", "", ""},
	{"inner head for a plain side", func(s *scene) {
		s.line.Materials.Stock[1].BondsTo, s.line.Materials.Papers[0].CoatedSide = recipe.BondsToPlain, recipe.CoatedIn
	}, codes(check.BondSide), "inner_head_m", "", "bonds to a plain side"},

	{"step", func(s *scene) {
		s.ctx.Prev, s.ctx.PrevSpec = previous(func(sp *recipe.Setpoints) { sp.FeedLength /= 2; sp.HeaderDwell *= 3 }), "plain"
	}, codes(check.StepFromPrevious, check.StepFromPrevious), "feed_length_m", "mill.yaml:13", "make sure that the scan is right"},
	{"step of another specification", func(s *scene) {
		s.ctx.Prev, s.ctx.PrevSpec = previous(func(sp *recipe.Setpoints) { sp.FeedLength /= 2 }), "fancy"
	}, nil, "", "", ""},
	{"no step", func(s *scene) { s.ctx.Prev, s.ctx.PrevSpec = previous(func(*recipe.Setpoints) {}), "plain" }, nil, "", "", ""},

	{"several at once, in order", func(s *scene) {
		s.roll.Tag, s.roll.Age, s.stand.Permissives, s.stand.Ready[1] = "", 900, 0, false
		s.line.Materials.Specs[0].InnerHead = "tin"
	}, codes(check.RollTagMissing, check.ScanStale, check.PermissiveOff, recipe.InnerHeadUnknown, recipe.NoSlot), "roll", "", ""},
}

func codes(list ...recipe.Code) []recipe.Code { return list }

func previous(edit func(*recipe.Setpoints)) *recipe.Setpoints {
	s := good()
	var rec recipe.Recipe
	recipe.Compute(s.line, s.roll, s.stand, &rec)
	edit(&rec.Setpoints)
	return &rec.Setpoints
}

func TestFindings(t *testing.T) {
	if f := good().run(); len(f) > 0 {
		t.Fatalf("the good roll has findings: %+v", f)
	}
	severity := map[recipe.Code]recipe.Severity{}
	for _, c := range check.Codes() {
		severity[c.Code] = c.Severity
	}
	seen := map[recipe.Code]bool{}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := good()
			c.edit(s)
			found := s.run()
			var got []recipe.Code
			for _, f := range found {
				seen[f.Code] = true
				got = append(got, f.Code)
				if f.Field == "" || f.Got == "" || f.Limit == "" || !strings.Contains(f.Text, " ") {
					t.Errorf("something is missing in %+v", f)
				}
				if f.Severity != severity[f.Code] {
					t.Errorf("%s is %v, the table says %v", f.Code, f.Severity, severity[f.Code])
				}
			}
			if !reflect.DeepEqual(got, c.codes) {
				t.Fatalf("findings %v, want %v: %+v", got, c.codes, found)
			}
			if len(found) == 0 {
				return
			}
			if f := found[0]; f.Field != c.field || f.Where != c.where || !strings.Contains(f.Text, c.text) {
				t.Errorf("got  %s %q %q\nwant %s %q %q", f.Field, f.Where, f.Text, c.field, c.where, c.text)
			}
			if again := s.run(); !reflect.DeepEqual(found, again) {
				t.Error("a second run found something else")
			}
		})
	}
	for _, c := range check.Codes() {
		if !seen[c.Code] {
			t.Errorf("no case brings up %s", c.Code)
		}
	}
}

func TestCodesTable(t *testing.T) {
	shape := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	seen := map[recipe.Code]bool{}
	for _, c := range check.Codes() {
		if seen[c.Code] {
			t.Errorf("%s stands twice", c.Code)
		}
		seen[c.Code] = true
		if !shape.MatchString(string(c.Code)) {
			t.Errorf("%q is not in kebab-case", c.Code)
		}
		if c.Meaning().String() == "" {
			t.Errorf("%s has no meaning", c.Code)
		}
		reason := check.HoldReason(c.Code)
		if hold := c.Severity == recipe.Hold; hold != (reason >= 1 && reason <= 11) || !hold && reason != 0 {
			t.Errorf("%s is %v with reason %d", c.Code, c.Severity, reason)
		}
	}
	if got := check.HoldReason("from-another-version"); got != 5 {
		t.Errorf("an unknown code has reason %d, want 5, interlocked limit", got)
	}
	list := check.Codes()
	list[0].Code = "changed"
	if check.Codes()[0].Code == "changed" {
		t.Error("the table can be changed from outside")
	}
}

// TestHoldReasons pins the reasons of the handshake.
func TestHoldReasons(t *testing.T) {
	for code, want := range map[recipe.Code]uint16{
		recipe.SpecUnknown: 1, check.DiameterRange: 2, check.ScanOvality: 3, check.ScanStale: 4, check.DwellRange: 5,
		check.PermissiveOff: 6, recipe.NoSlot: 7, check.OperatorHold: 8, recipe.BondAbovePlaten: 10, recipe.SpecMissing: 11,
	} {
		if got := check.HoldReason(code); got != want {
			t.Errorf("%s has reason %d, want %d", code, got, want)
		}
	}
}

// What concerns the strength of the package or the safety of people is never a
// matter of opinion; a code that is not known is not either.
func TestOverridable(t *testing.T) {
	var got []recipe.Code
	for _, c := range check.Codes() {
		if check.Overridable(c.Code) {
			got = append(got, c.Code)
		}
	}
	want := codes(check.ScanOvality, check.ScanWidthSpread, check.ScanTelescoped, check.OrderWidth, check.OrderDiameter)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("overridable are %v, want %v", got, want)
	}
	for _, c := range check.Codes() {
		if check.Confirmable(c.Code) != (c.Code == check.NarrowRoll || c.Code == check.NewWrapper) {
			t.Errorf("%s: confirmable is %v", c.Code, check.Confirmable(c.Code))
		}
	}
	if check.Confirmable("no-such-code") {
		t.Error("a code that is not known is confirmable")
	}
	if check.Overridable("no-such-code") {
		t.Error("a code that is not known is overridable")
	}
}

// TestFieldNames: what a finding is about is a setpoint, or something of the
// roll or the stand, by its name in JSON.
func TestFieldNames(t *testing.T) {
	known := map[string]bool{
		"open":     true,                         // of the configuration
		"hold_all": true, "slot_confirmed": true, // of the operator
		"head": true, "inner_head": true, // of the specification
	}
	for _, p := range recipe.AllSetpoints() {
		known[p.Name] = true
	}
	for _, typ := range []reflect.Type{reflect.TypeFor[recipe.Roll](), reflect.TypeFor[recipe.Stand]()} {
		for i := range typ.NumField() {
			name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			known[name] = true
		}
	}
	for _, c := range cases {
		s := good()
		c.edit(s)
		for _, f := range s.run() {
			if !known[f.Field] {
				t.Errorf("%s: %s is about %q", c.name, f.Code, f.Field)
			}
		}
	}
}

// TestAppends keeps what is in dst.
func TestAppends(t *testing.T) {
	s := good()
	s.roll.Tag = ""
	var rec recipe.Recipe
	recipe.Compute(s.line, s.roll, s.stand, &rec)
	first := recipe.Finding{Code: "first"}
	got := check.Run(s.line, s.roll, s.stand, &rec, nil, []recipe.Finding{first})
	if len(got) != 2 || got[0] != first || got[1].Code != check.RollTagMissing {
		t.Errorf("got %+v", got)
	}
}

// Whoever stands at a held roll is told what to do: every code that holds has
// a remedy, an imperative sentence of its own or of several codes.
func TestEveryHoldHasARemedy(t *testing.T) {
	holds := 0
	for _, c := range check.Codes() {
		r, ok := check.RemedyOf(c.Code)
		if c.Severity != recipe.Hold {
			if ok {
				t.Errorf("%s holds no roll and has a remedy", c.Code)
			}
			continue
		}
		holds++
		if !ok || !strings.HasSuffix(r.Do.String(), ".") || strings.ToUpper(r.Do.String()[:1]) != r.Do.String()[:1] || c.Meaning().String() == "" {
			t.Errorf("%s: meaning %q, remedy %q: want both, the remedy as a sentence", c.Code, c.Meaning(), r.Do)
		}
	}
	if holds < 60 {
		t.Errorf("%d codes hold a roll: this test looks at too few", holds)
	}
}
