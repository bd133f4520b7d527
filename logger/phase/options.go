package phase

import (
	"math"
	"time"
)

// Options sets the levels by which phases are told apart. The zero value of
// any field means its default. Defaults are common practice, not measured law.
type Options struct {
	// PreheatEnd is the glass temperature, °C, at which a single unbroken
	// arc that goes on heating stops being dry and becomes bombard. A first
	// arc that ends not far above it and is followed by a pump-out stays dry.
	// Default 110.
	PreheatEnd float64
	// Base is the pressure, Pa, below which final-pump becomes cool.
	// Default 1.33 (10 micron).
	Base float64
	// Arc is the current, A RMS, above which the arc is taken to burn.
	// Default 0.02.
	Arc float64
	// AgeMax is the highest current, A, taken for ageing at running current.
	// Default 0.15.
	AgeMax float64
	// TipOffAfter is how long a fill must have stood steady for limits to be judged
	// as if it were tipped off, and for the smoother to divide it, where nothing
	// tells: without a contact on the torch the pressure of most benches does not.
	// Default 25 s, a habit (common practice 10 to 60 s).
	TipOffAfter time.Duration
	// FillAfter is how long after the arc gas that is let in is taken for a
	// fill and no longer for a flush where no thermocouple tells: how long
	// glass takes to cool from bombarding to where a fill is measured. Default
	// 128 s, what a metre or two of 15 mm takes in front of a fan; a habit.
	FillAfter time.Duration
	// IdleAfter ends a run when after tip-off nothing has happened for this
	// long. Default 10 min.
	IdleAfter time.Duration

	lnBase float64
	lnCool float64 // down to here pumping is no cooling yet
}

// flushedOut is by how much above base, in ln p, a flush is out. Who looks both ways
// finds that from base as well; live it would come seconds late on a slow pump.
const flushedOut = 0.4

// patience is how long a steady fill is left unexplained, s. A gauge fine
// enough to show the torch's warmth says that there was none yet.
func (o *Options) patience(noise float64) float64 {
	if noise < fineNoise {
		return 4 * o.TipOffAfter.Seconds()
	}
	return o.TipOffAfter.Seconds()
}

// fineNoise is the scatter of ln p up to which tip-off shows in a fill.
const fineNoise = 0.001

func (o Options) filled() Options {
	def := func(p *float64, d float64) {
		if !(*p > 0) {
			*p = d
		}
	}
	def(&o.PreheatEnd, 110)
	def(&o.Base, 1.33)
	def(&o.Arc, 0.02)
	def(&o.AgeMax, 0.15)
	if o.TipOffAfter <= 0 {
		o.TipOffAfter = 25 * time.Second
	}
	if o.FillAfter <= 0 {
		o.FillAfter = 128 * time.Second
	}
	if o.IdleAfter <= 0 {
		o.IdleAfter = 10 * time.Minute
	}
	o.lnBase = math.Log(o.Base)
	o.lnCool = o.lnBase
	return o
}
