// Package recipetest has a made-up mill for the tests of recipe and of what rests on it.
package recipetest

import "lapgate/recipe"

const inch = 0.0254

// Line is a whole line of a made-up mill, the caller's own.
func Line() *recipe.Line {
	return &recipe.Line{
		Name: "test",
		Equipment: recipe.Equipment{
			Centring: recipe.Auto, Stand: recipe.Auto, Wrap: recipe.Auto, Crimp: recipe.Auto,
			Glue: recipe.Auto, Vacuum: recipe.Auto, Heads: recipe.Manual, Header: recipe.Auto,
			Scale: recipe.Auto, Drives: recipe.Auto,
		},
		Centring: recipe.Centring{Tolerance: 0.010},
		Stand: recipe.StandSpec{
			Reserve: 5, CoreDiameter: 3 * inch, OuterU: 2e-3, WidthU: 0.5e-3, WarnRolls: 3,
			Slots: []recipe.SlotSpec{
				{Number: 1, Width: 40 * inch, Paper: "kraft"},
				{Number: 2, Width: 50 * inch, Paper: "kraft"},
				{Number: 3, Width: 60 * inch, Paper: "kraft"},
				{Number: 4, Width: 72 * inch, Paper: "poly"},
				{Number: 5, Width: 84 * inch, Paper: "poly"},
				{Number: 6, Width: 100 * inch, Paper: "kraft"},
			},
		},
		Wrap: recipe.Wrap{
			CountsPerMetre: 2000, FeedSlip: 0.004, FeedSlipU: 0.002,
			Speed: 0.6, Accel: 0.3, Decel: 0.3, Tension: 60,
		},
		Crimp:  recipe.Crimp{Speed: 0.4, Accel: 0.25, Decel: 0.25, Engage: 1, Retract: 1, Clearance: 0.025, Blades: 24, Pressure: 6.9e6, Spacing: 0.3, Drag: 40},
		Glue:   recipe.Glue{Coverage: 0.06, Band: 0.05, Solids: 0.5},
		Vacuum: recipe.Vacuum{Edges: []float64{0.2, 0.4, 0.6, 0.8}},
		Heads:  recipe.Heads{InnerBare: 0.3, Plugs: []float64{0.068, 0.149}, PlugPlay: recipe.Range{Min: 0.5e-3, Max: 4e-3}, SizeU: 0.4e-3, Placement: 2e-3},
		Header: recipe.Header{
			Conductance: 300, ConductanceU: 24, Exponent: 0.1, Reference: 10e3, Calibrated: recipe.Range{Min: 2e3, Max: 100e3},
			Backing: 550, BackingU: 44, StartU: 2, Allowance: 3, Lead: 60,
			Pressure: 4e6, Bore: 0.063, Cylinders: 1, Efficiency: 0.9, Platen: 1.9,
			Start: 20, OpenGap: 0.3,
		},
		Cradle: recipe.Cradle{RollDiameter: 0.4, Spacing: 0.6, Friction: 0.3, Safety: 2, MinRatio: 0.25, MinTip: 10, NeverRatio: 0.06, MaxAngle: 60},
		Drives: recipe.Drives{Turning: motor(), Feed: motor(), Crimper: motor()},
		Scale:  recipe.Scale{Tolerance: 0.015},
		Limits: recipe.Limits{
			Diameter: recipe.Range{Min: 12 * inch, Max: 72 * inch}, Width: recipe.Range{Min: 6 * inch, Max: 120 * inch},
			FeedLength: recipe.Range{Min: 1, Max: 60}, WrapTime: recipe.Range{Min: 1, Max: 300},
			CrimpTime: recipe.Range{Min: 1, Max: 120}, CrimpTurns: recipe.Range{Min: 0.5, Max: 5},
			Temperature: recipe.Range{Min: 80, Max: 200}, Dwell: recipe.Range{Min: 0.5, Max: 90}, Stuck: 30, Dose: 120,
			MinQuality: 0.7, MaxScanAge: 120, MaxOvality: 0.02, MaxSpread: 0.02, Telescope: 0.015,
			OrderWidth: 0.025, OrderDia: 0.05, PlatenBand: 8, DrawError: 0.01, FoldLayers: 24, Centring: 0.2,
			CrimperPos: recipe.Range{Min: 0.05, Max: 1.2}, CrimperPres: recipe.Range{Min: 0.5e6, Max: 14e6},
			Stroke: recipe.Range{Max: 2.5}, Contact: recipe.Range{Min: 1e3, Max: 300e3},
			Glue: recipe.Range{Max: 2}, Gross: recipe.Range{Min: 10, Max: 12000},
			Permissives: 0x3F, StepWarn: 0.5, GuardK: 2.06,
		},
		Materials: recipe.Materials{
			Papers: []recipe.Paper{
				{Name: "kraft", Caliper: 0.012 * inch, CaliperU: 5e-6, BasisWeight: 0.2, CoatedSide: recipe.CoatedIn},
				{Name: "poly", Caliper: 0.25e-3, CaliperU: 4e-6, BasisWeight: 0.18, CoatedSide: recipe.CoatedIn},
			},
			Stock: []recipe.HeadMaterial{
				{
					Name: "fused", Method: recipe.Fused, Thickness: 0.3e-3, Conductivity: 0.12, Density: 750,
					HeatCapacity: 1400, BondTarget: 113, Setpoint: (350.0 - 32) / 1.8, ThicknessU: 0.015e-3, ConductivityU: 0.0096, BasisWeight: 0.225,
					Diameters: []float64{0.28, 0.40, 0.55, 0.70, 0.85, 1.0, 1.15, 1.3, 1.45, 1.6, 1.8},
				},
				{
					Name: "glued", Method: recipe.Glued, Thickness: 0.4e-3, Conductivity: 0.1, Density: 700,
					HeatCapacity: 1400, BondTarget: 70, Setpoint: 170, ThicknessU: 0.02e-3, ConductivityU: 0.008, BasisWeight: 0.3,
					Diameters: []float64{1.8, 0.3, 0.5, 0.6, 0.9, 1.15, 1.2, 1.5},
				},
				{
					Name: "inner", Method: recipe.Glued, Thickness: 0.4e-3, Conductivity: 0.1, Density: 700,
					HeatCapacity: 1400, BondTarget: 70, Setpoint: 110, BasisWeight: 0.2,
					Diameters: []float64{0.25, 0.45, 0.75, 1.05, 1.4},
				},
			},
			Grades: []recipe.Grade{
				{Code: 1, Name: "news", Density: 650, DensityU: 8, Spec: "standard"},
				{Code: 2, Name: "board", Density: 800, DensityU: 10, Spec: "export"},
			},
			Cores: []recipe.Core{
				{Code: 1, Name: "three inch", Diameter: 0.0900, Wall: 0.01, Mass: 1.2},
				{Code: 2, Name: "six inch", Diameter: 0.1700, Wall: 0.01, Mass: 2.4},
			},
			Specs: []recipe.Spec{
				{
					Name: "standard", Papers: []string{"kraft"}, Head: "fused", InnerHead: "inner",
					Layers: 3, Overlap: 6 * inch, Overhang: recipe.Overhang{Optimum: 5 * inch, Min: 3 * inch, Max: 7 * inch},
					MinLap: 0.025, CrimpTurns: 1.25, CrimpSpeed: 0.4, PleatPitch: 0.05,
				},
				{
					Name: "export", Papers: []string{"poly", "kraft"}, Head: "glued",
					Layers: 4, Overlap: 0.2, Tail: 0.1, Overhang: recipe.Overhang{Optimum: 0.11, Min: 0.06, Max: 0.2},
					MinLap: 0.02, CrimpTurns: 2, CrimpSpeed: 0.35, PleatPitch: 0.04,
				},
			},
		},
	}
}

func motor() recipe.Drive {
	return recipe.Drive{
		Diameter: 0.4, Gear: 25, Poles: 4, RatedSpeed: 1750.0 / 60, BaseHz: 60,
		Limits: recipe.Range{Min: 2, Max: 80}, CoolingHz: 6,
	}
}
