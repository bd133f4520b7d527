package plan

import (
	"math"

	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

const (
	torr  = 101325.0 / 760
	milli = 1e-3
)

// TubeOf is a card as the model wants it. Where a card does not describe the
// shells, they are taken as its rating says (13 cm² at 30 mA, 20 at 60, 27 at
// 90, and 3 g for 10 cm²: common practice); guessed tells that. It is not Valid
// if the card lacks a measure of the glass.
func TubeOf(c tube.Card) (t model.Tube, guessed bool) {
	t = model.Tube{
		Outside: c.Outside, Bore: c.Bore, Length: c.Length, HeatCapacity: envelope.HeatCapacity(c),
		ShellMass: c.Electrode.ShellMass, ShellArea: c.Electrode.ShellArea,
	}
	if t.ShellArea == 0 && c.Electrode.Rating > 0 {
		t.ShellArea, guessed = 6e-4+0.0233*c.Electrode.Rating, true
	}
	if t.ShellMass == 0 && t.ShellArea > 0 {
		t.ShellMass, guessed = 3*t.ShellArea, true
	}
	return t, guessed
}

// Series makes a run for the fit from what was observed and the phases found
// in it. room is NaN if it was not measured.
func Series(run string, card tube.Card, room float64, obs []phase.Observation, segments []phase.Segment) model.Series {
	t, _ := TubeOf(card)
	s := model.Series{Run: run, Tube: t, Room: room, Samples: make([]model.Sample, len(obs))}
	at := 0
	for i, o := range obs {
		for at+1 < len(segments) && o.At >= segments[at].To {
			at++
		}
		p := phase.Idle
		if at < len(segments) {
			p = segments[at].Phase
		}
		s.Samples[i] = model.Sample{T: o.At.Seconds(), Phase: p, Pressure: o.Pressure, Glass: o.Glass, Current: o.Current, Shell: math.NaN()}
	}
	return s
}

// BenchOf is what the envelope's bench tells the model.
func BenchOf(b envelope.Bench) model.Bench {
	return model.Bench{ManifoldVolume: b.ManifoldVolume, PumpSpeed: b.PumpSpeed, OpenCircuit: b.OpenCircuit}
}
