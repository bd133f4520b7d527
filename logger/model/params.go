package model

import (
	"fmt"
	"math"
)

// Constant is one of the constants that runs teach.
type Constant int

// The constants.
const (
	Heating          Constant = iota // W for each metre of column into the glass at 1 Torr, 0.3 A, 12.8 mm bore
	PressureExponent                 // of the heating
	CurrentExponent                  // of the heating
	BoreExponent                     // of the heating
	Convection                       // glass to room, W/(m² K)
	Lag                              // of the sensor on the glass, s
	ShellPower                       // rise of the cathode fall with the current's density, see slope
	ShellWarmup                      // heat capacity of a shell over what the card says
	Outgassing                       // what the wall gives off up to 250 °C, Pa·m³ for each m² of bore wall
	HoldPressure                     // most air pressure times length at which the arc holds, Pa·m
	PumpSpeed                        // at the gauge, main stopcock wide open, m³/s
	ManifoldVolume                   // m³
	NumConstants     int      = iota
)

// Info describes a constant. A positive one is held as its logarithm: Spread is
// then relative (0.3 means a factor of exp(±0.3) at one standard deviation),
// else absolute.
type Info struct {
	ID       string // stable: records use it
	Title    string
	Unit     string
	Positive bool
	Mean     float64 // the handbook's value
	Spread   float64 // its standard uncertainty
	Between  float64 // how much it differs from run to run on one bench (common practice)
	Basis    string  // where Mean and Spread come from
}

var infos = [NumConstants]Info{
	Heating: {"heating", "Heat into the glass for a metre of column (1 Torr, 0.3 A, 12.8 mm bore)", "W/m", true, 135, 0.5, 0.04,
		"handbook 4 and 5: a few V/cm at 1 Torr, here 6, and 0.75 of the power into the glass; from memory"},
	PressureExponent: {"pressure-exponent", "Exponent of the air pressure in the heating", "", false, 0.7, 0.15, 0.02,
		"handbook 4: less than linear, as the gas heats and thins; the figure is our own"},
	CurrentExponent: {"current-exponent", "Exponent of the current in the heating", "", false, 0.85, 0.1, 0.02,
		"handbook 4: the column's field falls slightly with current; the figure is our own"},
	BoreExponent: {"bore-exponent", "Exponent of the bore in the heating", "", false, -0.6, 0.3, 0,
		"handbook 4: the field grows as the bore shrinks; the figure is our own"},
	Convection: {"convection", "Heat transfer from glass to room", "W/(m² K)", true, 8, 0.25, 0.08,
		"handbook 5: 6 to 12 in still air, from memory"},
	Lag: {"lag", "Lag of the sensor on the glass", "s", true, 3, 0.35, 0.1,
		"handbook 7: 1.5 to 5 s, from memory"},
	ShellPower: {"shell-power", "Rise of the cathode fall at low pressure", "", true, 0.11, 0.3, 0.05,
		"set so that the currents of trade.md 4 bring a shell to orange heat at 0.9 Torr; from memory"},
	ShellWarmup: {"shell-warm-up", "Heat capacity of a shell over what the card says", "", true, 1, 0.25, 0.05,
		"handbook 6: nickel-plated iron; part of the lead is heated too"},
	Outgassing: {"outgassing", "Gas from the wall of the tube up to 250 °C", "Pa·m³/m²", true, 0.45, 0.8, 0.4,
		"trade.md 2: about ten monolayers of water; from memory"},
	HoldPressure: {"hold-pressure", "Most air pressure times length at which the arc holds, in a tube of 1.8 m and 12.8 mm bore", "Pa·m", true, 900, 0.5, 0.03,
		"handbook 4: a bombarder of 10 kV; from memory"},
	PumpSpeed: {"pump-speed", "Speed of the pump at the gauge", "m³/s", true, 0.8e-3, 0.6, 0.1,
		"a small two-stage pump behind a stopcock; common practice"},
	ManifoldVolume: {"manifold-volume", "Volume of the manifold", "m³", true, 0.5e-3, 0.5, 0.01,
		"half a litre of glass piping; common practice"},
}

// Bench is what the owner says of the bench. Zero: not said.
type Bench struct {
	ManifoldVolume float64 // m³
	PumpSpeed      float64 // m³/s
	// Hold is the air pressure times length up to which the arc holds, Pa m, and
	// HoldU its standard uncertainty.
	Hold, HoldU float64
	// FallRises is by how much the cathode fall grows for each square root of the
	// current's density over the normal one, and FallRisesU its standard uncertainty.
	FallRises, FallRisesU float64
	// Convection is the heat transfer from glass to still air, W/(m² K), and
	// ConvectionU its standard uncertainty; what is wrong with the emissivity is in it.
	Convection, ConvectionU float64
	// LagCorrected: the glass readings are already corrected for the sensor's lag.
	LagCorrected bool
}

// Params are the constants of a bench with their joint uncertainty.
type Params struct {
	// Theta holds the constants; of positive ones the natural logarithm.
	Theta [NumConstants]float64
	// Cov is the covariance of Theta.
	Cov [NumConstants][NumConstants]float64
	// Runs are the runs that taught it, oldest first; empty: the handbook's.
	Runs []string
}

// Handbook gives the constants before any run: the handbook's, and what the
// owner says of the bench where there is something.
func Handbook(b Bench) Params {
	var p Params
	for i, f := range infos {
		p.Theta[i], p.Cov[i][i] = f.coordinate(f.Mean), f.Spread*f.Spread
	}
	said := func(c Constant, x, spread float64) {
		if x > 0 {
			p.Theta[c], p.Cov[c][c] = math.Log(x), spread*spread
		}
	}
	said(ManifoldVolume, b.ManifoldVolume, 0.1)
	said(PumpSpeed, b.PumpSpeed, 0.3)
	said(Convection, b.Convection, max(0.05, b.ConvectionU/b.Convection))
	if b.LagCorrected {
		said(Lag, 0.7, 0.5) // what smoothing and a wrong lag leave
	}
	said(ShellPower, b.FallRises, max(0.05, b.FallRisesU/b.FallRises))
	said(HoldPressure, b.Hold, max(0.05, b.HoldU/b.Hold))
	return p
}

func (f *Info) coordinate(x float64) float64 {
	if f.Positive {
		return math.Log(x)
	}
	return x
}

func (f *Info) value(theta float64) float64 {
	if f.Positive {
		return math.Exp(theta)
	}
	return theta
}

// Value is a constant's best value in its unit.
func (p *Params) Value(c Constant) float64 { return infos[c].value(p.Theta[c]) }

// Spread is a constant's standard uncertainty: relative if it is positive,
// else absolute, as in [Info].
func (p *Params) Spread(c Constant) float64 { return math.Sqrt(max(0, p.Cov[c][c])) }

// ForNextRun is p with the spread from run to run added: what may be expected
// of the next run.
func (p Params) ForNextRun() Params {
	for i := range infos {
		p.Cov[i][i] += infos[i].Between * infos[i].Between
	}
	return p
}

// Check refuses constants that are no numbers or no covariance, such as a
// damaged file holds.
func (p *Params) Check() error {
	for i := range infos {
		if x := infos[i].value(p.Theta[i]); math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("constant %s is %v, must be a number", infos[i].ID, x)
		}
		if !(p.Cov[i][i] >= 0) || math.IsInf(p.Cov[i][i], 0) {
			return fmt.Errorf("constant %s: variance %v, must be 0 or more", infos[i].ID, p.Cov[i][i])
		}
		for j := range infos {
			if p.Cov[i][j] != p.Cov[j][i] {
				return fmt.Errorf("constants %s and %s: the covariance is not symmetric", infos[i].ID, infos[j].ID)
			}
		}
	}
	return nil
}

// Info describes the constant.
func (c Constant) Info() Info { return infos[c] }
