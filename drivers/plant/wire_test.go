package plant

import (
	"context"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// heated is a wired plant in its main bombardment, and the time there.
func heated(t testing.TB) (*Plant, *Wired, *emulated.Board, *clock.Virtual, time.Duration) {
	t.Helper()
	v := clock.NewVirtual(time.Unix(0, 0), 0)
	b := emulated.NewBoard(v)
	b.BusTime = false
	c := Default()
	p := New(c, NewScript(HabitFor(c.Tube, Careful, 1), 1))
	w := DefaultWiring()
	w.Clock = v
	w.Zero = -5 * time.Millisecond // a quarter cycle, so that time 0 is a crest
	wired := p.Wire(b, w)
	at := time.Duration(0)
	for ; at < 20*time.Minute; at += time.Second {
		p.Advance(at)
		if s := p.State(); s.Phase == "bombard" && s.Wall > 150 {
			return p, wired, b, v, at
		}
	}
	t.Fatal("no bombardment")
	return nil, nil, nil, nil, 0
}

// The inputs show what the gauges' characteristics say: p = 10^(U-5.625) Torr,
// 10 V at 20 Torr, both through 1:3; the thermocouple lags and sits at 0.97.
func TestInputs(t *testing.T) {
	p, w, _, _, at := heated(t)
	s := p.State()
	u := 3 * w.Gauges.Input[0](at)
	near(t, "wide-range gauge, Torr", math.Pow(10, u-5.625), s.ManifoldPressure/Torr, 0.03)
	near(t, "diaphragm gauge, Torr", 2*3*w.Gauges.Input[1](at), s.ManifoldPressure/Torr, 0.02)
	if hot := w.Thermocouple.Hot(at); hot > s.Wall-5 || hot < s.Wall-25 {
		t.Errorf("junction %.1f °C on glass at %.1f °C", hot, s.Wall)
	}
	if cold := w.Thermocouple.Cold(at); cold < 20 || cold > 30 {
		t.Errorf("terminals at %.1f °C", cold)
	}
	// RMS over ten mains cycles at 4 kS/s.
	sq := 0.0
	for i := range 800 {
		x := (w.Current.Input[0](at+time.Duration(i)*250*time.Microsecond) - 1.65) * 1000 / 820
		sq += x * x
	}
	near(t, "rms of the wave", math.Sqrt(sq/800), p.State().Current, 0.05)
	// Within a batch a chip may look back a little.
	if back := w.Gauges.Input[0](at - 3*time.Millisecond); math.IsNaN(back) {
		t.Error("look-back")
	}
}

// Through the chip: code 4096 V/Vref, midway without current.
func TestThroughTheConverter(t *testing.T) {
	p, _, b, _, at := heated(t)
	port, err := b.SPI("/dev/spidev0.1")
	if err != nil {
		t.Fatal(err)
	}
	c, err := port.Connect(physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		t.Fatal(err)
	}
	read := func() int {
		r := make([]byte, 3)
		if err := c.Tx([]byte{6, 0, 0}, r); err != nil {
			t.Fatal(err)
		}
		return int(r[1]&15)<<8 | int(r[2])
	}
	want := 1.65 + 0.82*p.CurrentAt(5*time.Millisecond)
	if code := read(); math.Abs(float64(code)-want/3.3*4096) > 2 {
		t.Errorf("code %d for %.3f V", code, want)
	}
	p.SetFault(Fault{CTUnplugged: true})
	if code := read(); code != 2048 && code != 2047 {
		t.Errorf("code %d with the transformer unplugged", code)
	}
	p.SetFault(Fault{})
	if p.State().At > at+time.Second {
		t.Error("reading moved time")
	}
}

func TestFaults(t *testing.T) {
	p, w, _, _, at := heated(t)
	p.SetFault(Fault{ThermocoupleOff: true, GaugeUnplugged: true})
	if u := w.Gauges.Input[0](at); u != 0 {
		t.Errorf("unplugged gauge gives %.3f V", u)
	}
	hot := w.Thermocouple.Hot(at + 15*time.Second)
	s := p.State()
	if hot > s.Ambient+8 || s.Wall < 100 || !s.Lit {
		t.Errorf("slipped off, the junction is at %.1f °C, glass %.1f, lit %v", hot, s.Wall, s.Lit)
	}
	p.SetFault(Fault{SparkNoise: true})
	worst := 0.0
	for i := range 2000 {
		x := at + 15*time.Second + time.Duration(i)*time.Millisecond
		worst = max(worst, math.Abs(w.Gauges.Input[1](x)*3*2*Torr-p.State().ManifoldPressure))
	}
	if worst < 30 {
		t.Errorf("sparks of %.1f Pa only", worst)
	}
}

// A broken wire shows in the chip's fault register (SR bit 0, chips.md §3), and
// goes when it is mended.
func TestOpenThermocouple(t *testing.T) {
	v := clock.NewVirtual(time.Unix(0, 0), 0)
	b := emulated.NewBoard(v)
	p := New(Default(), nil)
	w := DefaultWiring()
	w.Clock = v
	p.Wire(b, w)
	port, err := b.SPI("/dev/spidev0.0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := port.Connect(physic.MegaHertz, spi.Mode1, 8)
	if err != nil {
		t.Fatal(err)
	}
	var status [3]byte
	done := make(chan struct{})
	v.Go(func() {
		defer close(done)
		r := make([]byte, 2)
		_ = c.Tx([]byte{0x80, 0x90}, r) // automatic, open-circuit detection
		for i, f := range []Fault{{}, {ThermocoupleOpen: true}, {}} {
			p.SetFault(f)
			_ = v.SleepUntil(context.Background(), time.Duration(i+1)*time.Second)
			_ = c.Tx([]byte{0x0F, 0}, r)
			status[i] = r[1] & 1
		}
	})
	<-done
	if status != [3]byte{0, 1, 0} {
		t.Errorf("open-circuit bit %v, want 0 1 0", status)
	}
}

// INFICON BCG450 (physics.md 4.1): true = C x indicated, C 1.4 for neon, 0.5
// for water, 1 for air; no factor well above 1 mbar.
func TestGasFactor(t *testing.T) {
	c := quiet()
	c.Bench.GasFactor = true
	for _, r := range []struct {
		s          Species
		pa, factor float64
	}{{FillGas, 50, 1.4}, {Water, 5, 0.5}, {Air, 50, 1}, {FillGas, 1200, 1}} {
		p := New(c, Hands(func(_ time.Duration, _ Sight, h *Controls) { h.Sealed = true }))
		p.gas.m = [NumSpecies]float64{}
		p.gas.m[r.s] = r.pa
		p.Advance(2 * time.Second)
		near(t, r.s.String(), r.pa/p.sens.indicated, r.factor, 0.01)
	}
}

// Hot paths do not allocate.
func TestNoAllocations(t *testing.T) {
	p, w, _, _, at := heated(t)
	n := testing.AllocsPerRun(200, func() {
		at += 10 * time.Millisecond
		p.Advance(at)
		w.Current.Input[0](at)
		w.Gauges.Input[1](at)
		w.Thermocouple.Hot(at)
	})
	if n != 0 && p.State().Phase == "bombard" {
		t.Errorf("%v allocations", n)
	}
}

// BenchmarkStep is one physics step with the arc burning.
func BenchmarkStep(b *testing.B) {
	p, _, _, _, at := heated(b)
	p.op = Hands(func(time.Duration, Sight, *Controls) {})
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		at += 5 * time.Millisecond
		p.Advance(at)
	}
}

// BenchmarkCurrentAt is one point of the wave.
func BenchmarkCurrentAt(b *testing.B) {
	p, _, _, _, at := heated(b)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		p.CurrentAt(at)
	}
}

// BenchmarkShow is a bench second of the demo: the wave at 4 kS/s, gauges at
// 2 x 20 and thermocouple at 10 a second.
func BenchmarkShow(b *testing.B) {
	v := clock.NewVirtual(time.Unix(0, 0), 0)
	s := NewShow(v, 1)
	w := s.Wire(emulated.NewBoard(v), DefaultWiring())
	b.ReportAllocs()
	b.ResetTimer()
	at := time.Duration(0)
	for range b.N {
		for i := range 4000 {
			w.Current.Input[0](at)
			if i%200 == 0 {
				w.Gauges.Input[0](at)
				w.Gauges.Input[1](at)
				w.Thermocouple.Hot(at)
			}
			at += 250 * time.Microsecond
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "bench-s/s")
}
