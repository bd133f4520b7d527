package plan

import (
	"math"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
	"tipoff/logger/model"
	"tipoff/logger/phase"
	"tipoff/logger/tube"
)

const (
	torr  = unit.Torr
	milli = 1e-3
)

// TubeOf is a card as the model wants it, by the same tables as the limits: own
// are the bench's, nil the program's. Where a card does not describe the shells,
// they are taken as its rating says; guessed tells that. It is not Valid if the
// card lacks a measure of the glass.
func TubeOf(c tube.Card, own *envelope.Tables) (t model.Tube, guessed bool) {
	t = model.Tube{Outside: c.Outside, Bore: c.Bore, Length: c.Length, Body: envelope.BodyOf(c, own)}
	return t, t.Guessed
}

// Series makes a run for the fit from what was observed and the phases found
// in it. own are the bench's own tables, nil the program's. room is NaN if it was
// not measured.
func Series(run string, card tube.Card, own *envelope.Tables, room float64, obs []phase.Observation, segments []phase.Segment) model.Series {
	t, _ := TubeOf(card, own)
	s := model.Series{Run: run, Tube: t, Room: room, Samples: make([]model.Sample, len(obs))}
	cursor := phase.NewCursor(segments)
	for i, o := range obs {
		s.Samples[i] = model.Sample{T: o.At.Seconds(), Phase: cursor.At(o.At), Pressure: o.Pressure, Glass: o.Glass, Current: o.Current, Shell: math.NaN()}
	}
	return s
}

// BenchOf is what the envelope's bench tells the model.
func BenchOf(b envelope.Bench) model.Bench {
	m := model.Bench{ManifoldVolume: b.ManifoldVolume, PumpSpeed: b.PumpSpeed}
	m.Hold, m.HoldU = b.Holds()
	m.FallRises, m.FallRisesU = b.Tables.FallRises()
	m.Convection, m.ConvectionU = b.Tables.StillAir()
	return m
}
