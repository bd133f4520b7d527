package calibrate

import (
	"fmt"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"tipoff/calib/certificate"
	"tipoff/calib/unit"
	"tipoff/logger/chart"
	"tipoff/logger/frame"
)

var (
	paper     = color.NRGBA{0xFF, 0xFD, 0xF7, 0xFF}
	fitInk    = color.NRGBA{0x12, 0x50, 0x8C, 0xFF}
	pointInk  = color.NRGBA{0xA6, 0x3C, 0x06, 0xFF}
	beforeInk = color.NRGBA{0x8A, 0x8F, 0x98, 0xFF}
)

// Picture draws the correction (above) and the residuals (below) against the
// indicated value: points with ± two standard uncertainties, the fit, and dashed
// the fit of the certificate before, which may be nil.
//
// Of a time constant it draws the trials, their mean and the mean before.
func Picture(w io.Writer, format chart.Format, c, before *certificate.Certificate) error {
	return picture(w, format, c, before, nil)
}

// Picture draws the result c of the session as [Picture] does, with the last
// step that was made.
func (s *Session) Picture(w io.Writer, format chart.Format, c *certificate.Certificate) error {
	return picture(w, format, c, s.Before(), s.curve)
}

func picture(w io.Writer, format chart.Format, c, before *certificate.Certificate, curve *Curve) error {
	const width, height = 20 * vg.Centimeter, 16 * vg.Centimeter
	var out io.WriterTo
	var canvas vg.CanvasSizer
	switch format {
	case chart.SVG:
		s := vgsvg.New(width, height)
		canvas, out = s, s
	case chart.PNG:
		i := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(120), vgimg.UseBackgroundColor(paper))
		canvas, out = i, vgimg.PngCanvas{Canvas: i}
	default:
		return fmt.Errorf("drawing a calibration: there is no format %q, only %s and %s", format, chart.SVG, chart.PNG)
	}
	var upper, lower *plot.Plot
	var err error
	if c.IsLag() {
		upper, lower, err = lagPlots(c, before, curve)
	} else {
		upper, lower, err = plots(c, before)
	}
	if err != nil {
		return fmt.Errorf("drawing a calibration: %w", err)
	}
	area := draw.New(canvas)
	both := [][]*plot.Plot{{upper}, {lower}}
	if upper == nil {
		both = both[1:]
	}
	rows := plot.Align(both, draw.Tiles{Rows: len(both), Cols: 1, PadY: 6 * vg.Millimeter,
		PadLeft: 3 * vg.Millimeter, PadRight: 5 * vg.Millimeter, PadTop: 3 * vg.Millimeter, PadBottom: 3 * vg.Millimeter}, area)
	for i := range both {
		both[i][0].Draw(rows[i][0])
	}
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("drawing a calibration: %w", err)
	}
	return nil
}

// errorPoints are points with bars.
type errorPoints struct {
	plotter.XYs
	plotter.YErrors
}

func plots(c, before *certificate.Certificate) (upper, lower *plot.Plot, err error) {
	role, _ := frame.RoleNamed(c.Role)
	value, _ := dimensions(role)
	log := c.Fit.Kind.Log()
	fx, xname := scale(value, c.Fit.To)
	// The correction: a difference in the channel's unit, or per cent where the
	// gauge spans decades.
	correction := func(x, y float64) float64 { return (y - x) * fx }
	yname := xname
	if value == unit.Temperature {
		yname = "K"
	}
	if log {
		correction = func(x, y float64) float64 { return 100 * (y/x - 1) }
		yname = "% of the reading"
	}
	upper, lower = plot.New(), plot.New()
	for _, p := range []*plot.Plot{upper, lower} {
		p.BackgroundColor = paper
		p.X.Label.Text = "indicated, " + xname
		p.Add(plotter.NewGrid())
		if log {
			p.X.Scale, p.X.Tick.Marker = plot.LogScale{}, plot.LogTicks{Prec: -1}
		}
	}
	upper.Title.Text = fmt.Sprintf("%s, %s, %s", c.Channel, c.Procedure, c.Date.Format("2006-01-02 15:04"))
	upper.Y.Label.Text = "correction, " + yname
	lower.Y.Label.Text = "residual, " + yname

	var points, left errorPoints
	residuals := c.Fit.Residuals(c.Points)
	for i, p := range c.Points {
		bar := 2 * p.U * fx
		r := residuals[i] * fx
		if log {
			bar, r = 200*p.U/p.Indicated, 100*residuals[i]/p.Indicated
		}
		x := p.Indicated * fx
		points.XYs = append(points.XYs, plotter.XY{X: x, Y: correction(p.Indicated, p.Reference)})
		left.XYs = append(left.XYs, plotter.XY{X: x, Y: r})
		e := struct{ Low, High float64 }{bar, bar}
		points.YErrors, left.YErrors = append(points.YErrors, e), append(left.YErrors, e)
	}
	from, to := span(c, log)
	curve := func(f *certificate.Fit) plotter.XYs {
		const n = 120
		out := make(plotter.XYs, 0, n+1)
		for i := range n + 1 {
			s := float64(i) / n
			x := from + s*(to-from)
			if log {
				x = from * math.Pow(to/from, s)
			}
			y, _ := f.Apply(x)
			out = append(out, plotter.XY{X: x * fx, Y: correction(x, y)})
		}
		return out
	}
	if err := addLine(upper, curve(&c.Fit), fitInk, false, "this calibration"); err != nil {
		return nil, nil, err
	}
	if before != nil {
		if err := addLine(upper, curve(&before.Fit), beforeInk, true, "before, "+before.Date.Format("2006-01-02")); err != nil {
			return nil, nil, err
		}
	}
	if err := addLine(lower, plotter.XYs{{X: from * fx, Y: 0}, {X: to * fx, Y: 0}}, fitInk, false, ""); err != nil {
		return nil, nil, err
	}
	for _, d := range []struct {
		p    *plot.Plot
		data errorPoints
	}{{upper, points}, {lower, left}} {
		if err := addPoints(d.p, d.data); err != nil {
			return nil, nil, err
		}
	}
	legend(upper)
	return upper, lower, nil
}

func addLine(p *plot.Plot, xy plotter.XYs, ink color.Color, dashed bool, name string) error {
	l, err := plotter.NewLine(xy)
	if err != nil {
		return err
	}
	l.Color, l.Width = ink, vg.Points(1.5)
	if dashed {
		l.Dashes = []vg.Length{vg.Points(5), vg.Points(3)}
	}
	p.Add(l)
	if name != "" {
		p.Legend.Add(name, l)
	}
	return nil
}

// legend puts the legend into the upper left corner and makes room for it above
// what has been drawn. Its text stands to the right of its lines, where a reader's
// wider letters do no harm.
func legend(p *plot.Plot) {
	p.Legend.Top, p.Legend.Left = true, true
	p.Legend.Padding = vg.Millimeter
	p.Legend.XOffs = 2 * vg.Millimeter
	p.Y.Max += 0.35 * (p.Y.Max - p.Y.Min)
}

func addPoints(p *plot.Plot, data errorPoints) error {
	bars, err := plotter.NewYErrorBars(data)
	if err != nil {
		return err
	}
	dots, err := plotter.NewScatter(data)
	if err != nil {
		return err
	}
	bars.Color, dots.Color, dots.Radius, dots.Shape = pointInk, pointInk, vg.Points(3), draw.CircleGlyph{}
	p.Add(bars, dots)
	return nil
}

// span is the range of indicated values that is drawn: that of the points and a
// little around it.
func span(c *certificate.Certificate, log bool) (from, to float64) {
	from, to = c.Fit.From, c.Fit.To
	if log {
		return from / 2, to * 2
	}
	pad := 0.08 * (to - from)
	if pad == 0 {
		pad = math.Max(1e-3, 0.1*math.Abs(to))
	}
	return from - pad, to + pad
}
