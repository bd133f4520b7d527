// Package chart draws the two charts of a run: the time chart (pressure, glass
// temperature and current over a common time axis) and the chart of pressure
// against glass temperature; and the chart of a tube's limits before its run. One drawing code gives SVG and PNG, and the same
// input always gives the same bytes.
//
// Input is in SI units (Pa, °C, A, s); Torr and mA appear only on the drawing.
package chart

import (
	"errors"
	"fmt"
	"io"

	"tipoff/logger/phase"
)

// Point is one moment of a run. A quantity without a reading is NaN; lines are
// not drawn across it.
type Point struct {
	T        float64 // s from the start of the run, not falling from point to point
	Pressure float64 // Pa
	Glass    float64 // °C
	Current  float64 // A
}

// Span is a stretch of time in one phase.
type Span struct {
	Phase    phase.ID
	From, To float64 // s from the start of the run
}

// Quantity is the measured quantity that a limit bounds.
type Quantity uint8

// The quantities that are drawn.
const (
	Pressure Quantity = iota
	Glass
	Current
	quantities
)

// Limit is a bound that is drawn in the phases where it applies.
type Limit struct {
	Title     string // "Glass ceiling"
	Quantity  Quantity
	Low, High float64 // Pa, °C or A; NaN: no such bound
	Phases    []phase.ID
	// Goal: to be reached, or met at one moment, not kept all the time. It is
	// drawn dashed and without hatching.
	Goal bool
	// ULow and U are the standard uncertainties of Low and High; drawn on the
	// chart of an envelope only.
	ULow, U float64
	Note    string // added to the label
}

// Alarm is a marker at one moment.
type Alarm struct {
	T    float64 // s from the start of the run
	Text string  // "Glass over its ceiling, glass 262 °C"
}

// Run is all that a chart shows.
type Run struct {
	Title        string   // "PP-04, run 2026-11-25-001"
	Subtitle     string   // one line below it
	Also         []string // limits that have no place on the axes; on the chart of an envelope only
	Duration     float64
	Points       []Point
	Phases       []Span
	Limits       []Limit
	Alarms       []Alarm
	Forecast     []Forecast // of a run that is yet to be; for the chart of that name
	Corridor     []Corridor // where good runs lie, for the chart over time; CorridorRuns of them
	CorridorRuns int
	// MaxGap is the longest time between two points that a line is drawn
	// across, s. 0: three times the mean distance of the points, at least 2 s.
	MaxGap float64
}

// Kind is one of the charts.
type Kind string

// The charts. The names are also those of their files.
const (
	Time                Kind = "time"
	PressureTemperature Kind = "pressure-temperature"
	Envelope            Kind = "envelope" // the limits alone; needs no points
	Predicted           Kind = "forecast" // a run that is yet to be
)

// Format is a file format.
type Format string

// The formats.
const (
	SVG Format = "svg"
	PNG Format = "png"
)

// Width and Height are the size of a PNG in pixels.
const (
	Width  = 1600
	Height = 1100
)

var errNoPoints = errors.New("the run has no points")

// Write draws one chart of r to w. It fails if r has no points, if kind or
// format is not known, or if w fails.
func Write(w io.Writer, kind Kind, format Format, r *Run) error {
	if err := write(w, kind, format, r); err != nil {
		return fmt.Errorf("drawing %s.%s: %w", kind, format, err)
	}
	return nil
}

func write(w io.Writer, kind Kind, format Format, r *Run) error {
	if len(r.Points) == 0 && kind != Envelope {
		return errNoPoints
	}
	p, err := newPen(format)
	if err != nil {
		return err
	}
	switch kind {
	case Time:
		drawTime(p, r)
	case PressureTemperature:
		drawPT(p, r)
	case Envelope:
		drawEnvelope(p, r)
	case Predicted:
		drawForecast(p, r)
	default:
		return fmt.Errorf("there is no chart %q, only %s, %s, %s and %s", kind, Time, PressureTemperature, Envelope, Predicted)
	}
	_, err = p.out.WriteTo(w)
	return err
}

// end is the length of the time axis in s.
func (r *Run) end() float64 {
	end := r.Duration
	if n := len(r.Points); n > 0 && r.Points[n-1].T > end {
		end = r.Points[n-1].T
	}
	if !(end > 1) || end > maxSpan {
		end = min(max(end, 1), maxSpan)
	}
	return end
}

// maxSpan bounds the time axis: no run lasts a year.
const maxSpan = 366 * 86400.0

func (r *Run) maxGap() float64 {
	if r.MaxGap > 0 {
		return r.MaxGap
	}
	n := len(r.Points)
	if n < 2 {
		return 2
	}
	return max(2, 3*(r.Points[n-1].T-r.Points[0].T)/float64(n-1))
}
