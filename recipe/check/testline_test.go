package check_test

import (
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// scene is everything that the checks look at.
type scene struct {
	line  *recipe.Line
	roll  *recipe.Roll
	stand *recipe.Stand
	ctx   *check.Context
	// override changes the computed recipe, as an operator may.
	override func(*recipe.Recipe)
}

func (s *scene) run() []recipe.Finding {
	var rec recipe.Recipe
	recipe.Compute(s.line, s.roll, s.stand, &rec)
	if s.override != nil {
		s.override(&rec)
	}
	return check.Run(s.line, s.roll, s.stand, &rec, s.ctx, nil)
}

func motor() recipe.Drive {
	return recipe.Drive{
		Diameter: 0.4, Gear: 25, Poles: 4, RatedSpeed: 1750.0 / 60, BaseHz: 60,
		Limits: recipe.Range{Min: 2, Max: 80}, CoolingHz: 6,
	}
}

// good is a roll without findings.
func good() *scene {
	origins := map[string]string{
		"limits.scan_age":                     "mill.yaml:10",
		"limits.diameter":                     "mill.yaml:11",
		"limits.permissives":                  "mill.yaml:12",
		"limits.step":                         "mill.yaml:13",
		"limits.order_width":                  "mill.yaml:14",
		"stand.slots.1.width":                 "mill.yaml:20",
		"specs.0.overhang.max":                "mill.yaml:30",
		"specs.0.lap":                         "mill.yaml:31",
		"crimp.core_clearance":                "mill.yaml:40",
		"head_materials.0.diameters.0":        "mill.yaml:50",
		"head_materials.0.platen_temperature": "mill.yaml:51",
	}
	line := &recipe.Line{
		Equipment: recipe.Equipment{
			Centring: recipe.Auto, Stand: recipe.Auto, Wrap: recipe.Auto, Crimp: recipe.Auto,
			Heads: recipe.Manual, Header: recipe.Auto, Glue: recipe.Auto, Vacuum: recipe.Auto, Scale: recipe.Auto, Drives: recipe.Auto,
		},
		Centring: recipe.Centring{Tolerance: 0.01},
		Stand: recipe.StandSpec{Reserve: 5, CoreDiameter: 0.0762, OuterU: 1e-4, WidthU: 0.5e-3, WarnRolls: 3, Slots: []recipe.SlotSpec{
			{Number: 1, Width: 1.0, Paper: "kraft"},
			{Number: 2, Width: 1.25, Paper: "kraft"},
			{Number: 3, Width: 1.6, Paper: "kraft"},
		}},
		Wrap:   recipe.Wrap{CountsPerMetre: 2000, FeedSlipU: 0.002, Speed: 0.6, Accel: 0.3, Decel: 0.3, Tension: 60},
		Crimp:  recipe.Crimp{Speed: 0.4, Accel: 0.25, Decel: 0.25, Engage: 1, Retract: 1, Clearance: 0.025, Blades: 24, Pressure: 6.9e6, Spacing: 0.3, Drag: 40},
		Glue:   recipe.Glue{Coverage: 0.06, Band: 0.05, Solids: 0.5},
		Vacuum: recipe.Vacuum{Edges: []float64{0.2, 0.4, 0.6}},
		Heads:  recipe.Heads{InnerBare: 0.1, Plugs: []float64{0.068}, PlugPlay: recipe.Range{Min: 0.5e-3, Max: 4e-3}, SizeU: 0.4e-3, Placement: 2e-3},
		Header: recipe.Header{
			Conductance: 300, ConductanceU: 24, Reference: 10e3, Calibrated: recipe.Range{Min: 2e3, Max: 100e3},
			Backing: 550, BackingU: 44, Pressure: 4e6, Bore: 0.063, Cylinders: 1, Efficiency: 0.9, Platen: 1.9,
			Start: 20, StartU: 2, Allowance: 3, Lead: 60, OpenGap: 0.3,
		},
		Cradle: recipe.Cradle{RollDiameter: 0.4, Spacing: 0.6, Friction: 0.3, Safety: 2, MinRatio: 0.25, MinTip: 10, NeverRatio: 0.06, MaxAngle: 60},
		Drives: recipe.Drives{Turning: motor(), Feed: motor(), Crimper: motor()},
		Scale:  recipe.Scale{Tolerance: 0.015},
		Limits: recipe.Limits{
			Diameter: recipe.Range{Min: 0.3, Max: 1.8}, Width: recipe.Range{Min: 0.15, Max: 3},
			FeedLength: recipe.Range{Min: 1, Max: 60}, WrapTime: recipe.Range{Min: 1, Max: 300},
			CrimpTime: recipe.Range{Min: 1, Max: 120}, CrimpTurns: recipe.Range{Min: 0.5, Max: 5},
			Temperature: recipe.Range{Min: 80, Max: 200}, Dwell: recipe.Range{Min: 0.5, Max: 60}, Stuck: 30, Dose: 120,
			MinQuality: 0.7, MaxScanAge: 120, MaxOvality: 0.02, MaxSpread: 0.02, Telescope: 0.015,
			OrderWidth: 0.025, OrderDia: 0.05, PlatenBand: 8, DrawError: 0.01, FoldLayers: 24, Centring: 0.2,
			CrimperPos: recipe.Range{Min: 0.05, Max: 1.2}, CrimperPres: recipe.Range{Min: 0.5e6, Max: 14e6},
			Stroke: recipe.Range{Max: 2.5}, Contact: recipe.Range{Min: 1e3, Max: 300e3},
			Glue: recipe.Range{Max: 2}, Gross: recipe.Range{Min: 10, Max: 12000},
			Permissives: 0x3F, StepWarn: 0.5, GuardK: 2.06,
		},
		Materials: recipe.Materials{
			Papers: []recipe.Paper{{Name: "kraft", Caliper: 0.3e-3, CaliperU: 5e-6, BasisWeight: 0.2}},
			Stock: []recipe.HeadMaterial{
				{
					Name: "fused", Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400,
					BondTarget: 113, Setpoint: 175, ThicknessU: 0.015e-3, ConductivityU: 0.0096, Diameters: []float64{0.9, 1.0, 1.15},
				},
				{
					Name: "inner", Method: recipe.Glued, Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400,
					BondTarget: 70, Setpoint: 110, Diameters: []float64{0.9, 1.1},
				},
			},
			Grades: []recipe.Grade{{Code: 4, Name: "news", Density: 650, DensityU: 8, Spec: "plain"}},
			Cores:  []recipe.Core{{Code: 1, Name: "three inch", Diameter: 0.09, Wall: 0.01, Mass: 1.2}},
			Specs: []recipe.Spec{{
				Name: "plain", Papers: []string{"kraft"}, Head: "fused", InnerHead: "inner", Layers: 3, Overlap: 0.15,
				Overhang: recipe.Overhang{Optimum: 0.125, Min: 0.075, Max: 0.18}, MinLap: 0.025,
				CrimpTurns: 1.25, CrimpSpeed: 0.4, PleatPitch: 0.05,
			}},
		},
		Origins: func(key string) string { return origins[key] },
	}
	return &scene{
		line: line,
		roll: &recipe.Roll{
			Number: 12, Tag: "A-12", Diameter: 1.2, DiameterU: 5e-4, Ovality: 0.003,
			Width: 1.0, WidthU: 4e-4, WidthMedian: 0.999, WidthSpread: 0.002, Quality: 0.9, Age: 3, Grade: 4, Core: 1,
		},
		stand: &recipe.Stand{
			Ready: [6]bool{true, true, true}, Outer: [6]float64{0.9, 0.8, 0.7},
			Permissives: 0x3F, Platen: 174, Mode: 1, State: 6,
		},
		ctx: &check.Context{LastRoll: 11},
	}
}
