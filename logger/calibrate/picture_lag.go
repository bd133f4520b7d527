package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tipoff/calib/certificate"
)

// lagPlots draws the trials of a time constant against their mean (lower) and,
// if there is one, the last step with its exponential (upper).
func lagPlots(c, before *certificate.Certificate, curve *Curve) (upper, lower *plot.Plot, err error) {
	lower = plot.New()
	lower.BackgroundColor = paper
	lower.Add(plotter.NewGrid())
	lower.X.Label.Text, lower.Y.Label.Text = "trial", "time constant, s"
	var points errorPoints
	n := float64(len(c.Trials))
	for i, t := range c.Trials {
		points.XYs = append(points.XYs, plotter.XY{X: float64(i + 1), Y: t.Tau})
		points.YErrors = append(points.YErrors, struct{ Low, High float64 }{2 * t.U, 2 * t.U})
	}
	ticks := make(plot.ConstantTicks, 0, len(c.Trials))
	for i := range c.Trials {
		ticks = append(ticks, plot.Tick{Value: float64(i + 1), Label: fmt.Sprint(i + 1)})
	}
	lower.X.Tick.Marker = ticks
	lower.X.Min, lower.X.Max = 0.5, n+0.5
	least, most := c.Lag.Tau, c.Lag.Tau
	for _, t := range c.Trials {
		least, most = math.Min(least, t.Tau-2*t.U), math.Max(most, t.Tau+2*t.U)
	}
	// Room for bars and, above them, the legend.
	pad := math.Max(0.05*c.Lag.Tau, 0.1*(most-least))
	lower.Y.Min, lower.Y.Max = least-pad, most+3*pad
	level := func(y float64) plotter.XYs { return plotter.XYs{{X: 0.5, Y: y}, {X: n + 0.5, Y: y}} }
	if err := addLine(lower, level(c.Lag.Tau), fitInk, false, fmt.Sprintf("together %.2f s", c.Lag.Tau)); err != nil {
		return nil, nil, err
	}
	if before != nil {
		if err := addLine(lower, level(before.Lag.Tau), beforeInk, true, "before, "+before.Date.Format("2006-01-02")); err != nil {
			return nil, nil, err
		}
	}
	lower.Legend.Top, lower.Legend.Left, lower.Legend.XOffs, lower.Legend.Padding = true, true, 2*vg.Millimeter, vg.Millimeter
	if err := addPoints(lower, points); err != nil {
		return nil, nil, err
	}
	title := fmt.Sprintf("%s, %s, %s", c.Channel, c.Procedure, c.Date.Format("2006-01-02 15:04"))
	if curve == nil {
		lower.Title.Text = title
		return nil, lower, nil
	}
	upper = plot.New()
	upper.BackgroundColor = paper
	upper.Add(plotter.NewGrid())
	upper.Title.Text = title
	upper.X.Label.Text, upper.Y.Label.Text = "time, s", "junction, °C"
	var read, model plotter.XYs
	for i, t := range curve.T {
		read = append(read, plotter.XY{X: t, Y: curve.Read[i]})
		if m := curve.Model[i]; !math.IsNaN(m) {
			model = append(model, plotter.XY{X: t, Y: m})
		}
	}
	dots, err := plotter.NewScatter(read)
	if err != nil {
		return nil, nil, err
	}
	dots.Color, dots.Radius, dots.Shape = pointInk, vg.Points(1.6), draw.CircleGlyph{}
	upper.Add(dots)
	upper.Legend.Add("as read", dots)
	if len(model) > 1 {
		if err := addLine(upper, model, fitInk, false, fmt.Sprintf("exponential, %.2f s", curve.Tau)); err != nil {
			return nil, nil, err
		}
	}
	// To the right, where the curve is not, but its text to the right of its lines: a
	// reader's letters may be wider than ours.
	upper.Legend.Left, upper.Legend.XOffs, upper.Legend.Padding = true, 11*vg.Centimeter, vg.Millimeter
	upper.Legend.Top = curve.Read[len(curve.Read)-1] < curve.Read[0]
	return upper, lower, nil
}
