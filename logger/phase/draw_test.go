package phase

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"tipoff/drivers/plant"
	"tipoff/logger/frame"
)

// kind is what is special about a drawn run.
type kind uint8

const (
	plain       kind = iota
	noGlass          // no thermocouple at all
	glassLost        // the thermocouple's wire breaks in the middle
	noCurrent        // no current channel
	isolated         // the gauge's stopcock is shut for a while during the arc
	powerLost        // the recorder is without power for a while
	footSlipped      // the foot leaves the switch for some seconds, once or twice
	contactOnly      // no current channel, but the contactor's contact
	recordLost       // power lost, and what was recorded before as well
	kinds       int  = iota
)

func (k kind) String() string {
	return [kinds]string{"plain", "no glass", "glass lost", "no current", "gauge isolated", "power lost", "foot slipped", "no current but a contact", "power and record lost"}[k]
}

// share of the kinds in a draw, in per cent.
var share = [kinds]int{56, 6, 6, 6, 8, 10, 8, 0, 0}

// drawn is one run as a recorder sees it.
type drawn struct {
	seed   uint64
	kind   kind
	fine   bool // with a diaphragm gauge beside the wide-range one
	torch  bool // with a contact on the torch
	cock   bool // with a switch on the main stopcock
	what   string
	obs    []Observation
	clean  []Observation // the same without noise
	truth  []Segment
	hidden []Segment     // when no frames were recorded
	first  time.Duration // the glass reading passes PreheatEnd in a run that is not dried first; 0: was dried
}

// drawTube is any tube that a shop makes: 8 to 25 mm, 0.3 to 2.4 m, the
// electrodes and the fill that go with the bore (trade.md §3 and §4).
func drawTube(r *rand.Rand) plant.Tube {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	if all := plant.Tubes(); r.IntN(3) == 0 {
		return all[fmt.Sprintf("PP-%02d", 1+r.IntN(len(all)))]
	}
	t := plant.DefaultTube()
	od := u(8, 25)
	t.Card = "drawn"
	t.Outside, t.Bore = od*1e-3, (od-2*u(0.9, 1.3))*1e-3
	t.Length = u(0.3, 2.4)
	k := od / 15
	t.ShellMass, t.ShellArea, t.Carbonate = 6e-3*k, 20e-4*k, 15e-6*k
	t.Rating = 0.060 * k
	t.Fill = min(135/od, 16) * plant.Torr
	if r.IntN(3) == 0 {
		t.Coating, t.Gas, t.Binder = "phosphor", "argon", u(0.05, 0.25)
		t.Target, t.Ceiling = u(205, 220), 245
	}
	return t
}

// hands is a script with slips of the foot.
type hands struct {
	*plant.Script
	r     *rand.Rand
	slips int
	from  time.Duration // of the next slip; 0: not yet known
	to    time.Duration
	hold  bool
}

func (h *hands) Watch(at time.Duration, see plant.Sight, c *plant.Controls) {
	h.Script.Watch(at, see, c)
	arc := c.Phase == "dry" || c.Phase == "bombard" || c.Phase == "shells"
	if h.slips == 0 && !h.hold {
		return
	}
	switch {
	case h.hold && (at >= h.to || !arc):
		h.hold = false
		if arc {
			c.Bombard = true
		}
	case h.hold:
		c.Bombard = false
	case arc && see.Lit && h.from == 0:
		h.from = at + time.Duration((5+25*h.r.Float64())*1e9)
	case !arc:
		h.from = 0
	case h.from > 0 && at >= h.from:
		h.to, h.from, h.hold = at+time.Duration((1+3*h.r.Float64())*1e9), 0, true
		h.slips--
		c.Bombard = false
	}
}

// draw lets a plant process a tube: any tube, bench, style, speed of work, and
// with what goes wrong on benches. fix, if not nil, settles what the test is about.
func draw(seed uint64, k kind, fix func(*plant.Habit)) drawn {
	r := rand.New(rand.NewPCG(seed, 0x64726177))
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	log := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	cfg := plant.Default()
	cfg.Seed = seed
	cfg.Tube = drawTube(r)
	b, t := &cfg.Bench, &cfg.Tube
	b.PumpSpeed *= log(0.6, 1.6)
	b.Ultimate *= log(0.6, 1.6)
	b.Leak *= log(0.2, 3)
	b.Outgassing *= log(0.4, 2.5)
	b.AirFlow *= log(0.6, 1.6)
	b.GasFlow *= log(0.6, 1.6)
	b.VentSpeed *= log(0.6, 1.6)
	b.Manifold *= log(0.7, 1.5)
	b.Ambient = u(15, 30)
	b.Lag = time.Duration(u(1.5, 5) * 1e9)
	b.Seating = u(0.9, 0.99)
	t.Layers *= log(0.4, 1.6)
	t.TubulationBore = u(4, 6) * 1e-3
	style := plant.Style(r.IntN(plant.NumStyles))
	h := plant.HabitFor(*t, style, seed)
	h.Reaction = time.Duration(log(0.5, 4) * 1e9)
	scale := func(d *time.Duration) {
		*d = time.Duration(float64(*d) * log(0.5, 2)).Round(100 * time.Millisecond)
	}
	for _, d := range []*time.Duration{&h.Idle, &h.Evacuate, &h.LeakTest, &h.PumpOut, &h.FinalPump, &h.ShellHold, &h.Look} {
		scale(d)
	}
	if r.IntN(5) == 0 {
		h.LeakTest = 0
	}
	h.Preheats = [...]int{0, 1, 1, 1, 1, 2, 2, 3}[r.IntN(8)]
	h.Flushes = [...]int{0, 1, 1, 2, 2, 3}[r.IntN(6)]
	if fix != nil {
		fix(&h)
	}
	d := drawn{seed: seed, kind: k, fine: r.IntN(3) > 0}
	contacts := rand.New(rand.NewPCG(seed, 0x636f6e74))
	d.torch, d.cock = contacts.IntN(4) == 0, contacts.IntN(6) == 0
	op := &hands{Script: plant.NewScript(h, seed), r: r}
	if k == footSlipped {
		op.slips = 1 + r.IntN(2)
	}
	d.what = fmt.Sprintf("%.0f mm %.1f m, style %d, reaction %.1f s, %d preheats, %d flushes, leak test %v, fine %v, torch %v, stopcock %v", t.Outside*1e3, t.Length, style, h.Reaction.Seconds(), h.Preheats, h.Flushes, h.LeakTest > 0, d.fine, d.torch, d.cock)
	p := plant.New(cfg, op)
	const every = 100 * time.Millisecond
	gauge := plant.Atmosphere
	for at := every; !op.Done() && at < 45*time.Minute; at += every {
		p.Advance(at)
		x := p.State()
		gauge += (x.ManifoldPressure - gauge) * (1 - math.Exp(-every.Seconds()/b.GaugeLag.Seconds()))
		d.obs = append(d.obs, Observation{
			At:       at,
			Pressure: readGauge(gauge, b.ZeroShift, d.fine, r),
			Glass:    x.Junction + 0.15*r.NormFloat64(),
			Current:  math.Abs(0.002 + x.Current*(1+0.01*r.NormFloat64())),
		})
		o := &d.obs[len(d.obs)-1]
		o.Contactor = contactOf(k == contactOnly, x.Hands.Bombard)
		o.Torch = contactOf(d.torch, x.Hands.Torch)
		o.Stopcock = contactOf(d.cock, x.Hands.Main == 0)
		d.clean = append(d.clean, Observation{At: at, Pressure: gauge, Glass: x.Junction, Current: math.Abs(0.002 + x.Current)})
		if h.Preheats == 0 && d.first == 0 && x.Phase == "bombard" && x.Junction > 110 {
			d.first = at
		}
	}
	for _, s := range p.Truth() {
		id, ok := Named(s.Phase)
		if !ok {
			panic("plant has a phase of its own: " + s.Phase)
		}
		if id == Bombard && d.first > s.From && d.first < s.To {
			// Nobody dried this tube. By the handbook's table an arc on glass
			// up to about 100 °C is dry, whatever the person calls it; the
			// boundary is where the reading passes Options.PreheatEnd.
			d.truth = append(d.truth, Segment{Phase: Dry, From: s.From, To: d.first})
			s.From = d.first
		}
		d.truth = append(d.truth, Segment{Phase: id, From: s.From, To: s.To})
	}
	d.spoil(r)
	return d
}

// contactOf is what a contact says, if the bench has it.
func contactOf(has, closed bool) frame.Switch {
	switch {
	case !has:
		return frame.SwitchUnknown
	case closed:
		return frame.SwitchOn
	}
	return frame.SwitchOff
}

// readGauge is a reading of the bench's pressure as the frame has it, Pa: a
// wide-range gauge with 0.5 % noise, where there is one combined with a
// diaphragm gauge of 20 Torr by their stated uncertainties, as the
// demo's bench.toml does.
func readGauge(p, zero float64, fine bool, r *rand.Rand) float64 {
	wide := p * (1 + 0.005*r.NormFloat64())
	if !fine || p > 20.4*plant.Torr {
		return wide
	}
	const lsb = 375e-6 * 2 * plant.Torr // 125 µV through 3:1, 2 Torr/V
	dia := math.Round((p+zero+0.0016*plant.Torr*r.NormFloat64())/lsb) * lsb
	uw := 0.15 * wide
	ud := math.Hypot(0.005*dia, 0.005*plant.Torr)
	a := ud * ud / (ud*ud + uw*uw)
	return a*wide + (1-a)*dia
}

// when is the span of the n-th occurrence of phase p in the truth.
func (d *drawn) when(p ID) (Segment, bool) {
	for _, s := range d.truth {
		if s.Phase == p {
			return s, true
		}
	}
	return Segment{}, false
}

// spoil does to the readings what the run's kind says.
func (d *drawn) spoil(r *rand.Rand) {
	if len(d.obs) == 0 {
		return
	}
	secs := func(lo, hi float64) time.Duration { return time.Duration((lo + (hi-lo)*r.Float64()) * 1e9) }
	end := d.obs[len(d.obs)-1].At
	switch d.kind {
	case noGlass:
		for i := range d.obs {
			d.obs[i].Glass, d.clean[i].Glass = math.NaN(), math.NaN()
		}
	case noCurrent, contactOnly:
		for i := range d.obs {
			d.obs[i].Current, d.clean[i].Current = math.NaN(), math.NaN()
		}
	case glassLost:
		from := time.Duration((0.2 + 0.6*r.Float64()) * float64(end))
		for i := range d.obs {
			if d.obs[i].At > from {
				d.obs[i].Glass, d.clean[i].Glass = math.NaN(), math.NaN()
			}
		}
	case isolated:
		// Shut while the arc burns, to keep the gauge from the discharge;
		// what is shut in rises a little by itself.
		b, ok := d.when(Bombard)
		s, ok2 := d.when(Shells)
		if !ok || !ok2 {
			return
		}
		from, to := b.From+secs(3, 20), s.To+secs(-15, 12)
		held := math.NaN()
		for i := range d.obs {
			o := &d.obs[i]
			if o.At < from || o.At > to {
				continue
			}
			if held != held {
				held = o.Pressure
			}
			held += 0.01 * 0.1
			o.Pressure = held * (1 + 0.002*r.NormFloat64())
			d.clean[i].Pressure = held
		}
	case powerLost, recordLost:
		from := time.Duration((0.1 + 0.7*r.Float64()) * float64(end))
		to := from + secs(15, 90)
		dark := func(o Observation) bool { return o.At >= from && o.At <= to }
		d.obs, d.clean = slices.DeleteFunc(d.obs, dark), slices.DeleteFunc(d.clean, dark)
		d.hidden = append(d.hidden, Segment{From: from, To: to})
	}
}

// kindOf deals the kinds out over the seeds.
func kindOf(seed uint64) kind {
	n := int(rand.New(rand.NewPCG(seed, 0x6b696e64)).IntN(100))
	for k, s := range share {
		if n -= s; n < 0 {
			return kind(k)
		}
	}
	return plain
}

// live runs the tracker as the daemon does: after power has been lost it is first
// fed what was recorded before, if that is still there. The segments are dated by
// when the tracker said so.
// alike are the stretches in which it named another phase that it may be as well.
func (d *drawn) live() (said, alike []Segment) {
	if d.kind != recordLost {
		return trackAlike(d.obs, Options{})
	}
	rest := d.obs
	part := func(n int) {
		if n > 0 {
			s, a := trackAlike(rest[:n], Options{})
			said, alike = append(said, s...), append(alike, a...)
		}
		rest = rest[n:]
	}
	for _, h := range d.hidden {
		n := 0
		for n < len(rest) && rest[n].At < h.To {
			n++
		}
		part(n)
	}
	part(len(rest))
	return said, alike
}

// seen takes out of the truth what no frame recorded; boundaries
// within are then not asked for.
func (d *drawn) seen() []Segment {
	out := d.truth
	for _, h := range d.hidden {
		var cut []Segment
		for _, s := range out {
			if s.From < h.From {
				cut = append(cut, Segment{Phase: s.Phase, From: s.From, To: min(s.To, h.From)})
			}
			if s.To > h.To {
				cut = append(cut, Segment{Phase: s.Phase, From: max(s.From, h.To), To: s.To})
			}
		}
		out = cut
	}
	return out
}
