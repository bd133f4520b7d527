package speaker

import (
	"math"
	"testing"
	"time"

	"tipoff/drivers"
)

const ms = time.Millisecond

func pulses(tone float64, repeat time.Duration, at ...time.Duration) *drivers.Pattern {
	p := &drivers.Pattern{Repeat: repeat, Tone: tone}
	for i := 0; i < len(at); i += 2 {
		p.Pulses = append(p.Pulses, drivers.Pulse{Start: at[i], Length: at[i+1]})
	}
	return p
}

var (
	burst  = pulses(880, time.Second, 0, 150*ms, 250*ms, 150*ms, 500*ms, 200*ms)
	steady = pulses(500, time.Second, 0, time.Second)
)

func render(p *drivers.Pattern, rate int, d time.Duration) []int16 {
	s := NewSynth(rate, 0.8)
	s.Set(p)
	out := make([]int16, int(d.Seconds()*float64(rate)))
	for n := 0; n < len(out); { // in uneven pieces, as Tick asks for them
		k := min(len(out)-n, 1+n%701)
		s.Render(out[n:n+k], 1)
		n += k
	}
	return out
}

// goertzel is the amplitude of frequency f in x, with a Hann window.
func goertzel(x []int16, rate int, f float64) float64 {
	k := 2 * math.Cos(2*math.Pi*f/float64(rate))
	var a, b float64
	for i, v := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		a, b = float64(v)*w+k*a-b, a
	}
	return math.Sqrt(a*a+b*b-k*a*b) * 4 / float64(len(x))
}

// IEC 60601-1-8: at least four components from 300 to 4000 Hz, each within 15 dB
// of the fundamental, which is from 150 to 1000 Hz (systems.md B3). The
// fundamental counts where it is above 300 Hz: else a fundamental of 1000 Hz,
// which the standard allows, could never have four.
func TestTone(t *testing.T) {
	for _, rate := range []int{44100, 48000} {
		for _, f := range []float64{150, 440, 880, 1000} {
			x := render(pulses(f, 0, 0, time.Hour), rate, time.Second)[rate/10:]
			base := goertzel(x, rate, f)
			if base < 1000 {
				t.Fatalf("%v Hz at %d: amplitude %v", f, rate, base)
			}
			components := 0
			for k := 1; float64(k)*f <= 4000.5; k++ {
				db := 20 * math.Log10(goertzel(x, rate, float64(k)*f)/base)
				if float64(k)*f >= 300 && math.Abs(db) <= 15 {
					components++
				}
			}
			if components < 4 {
				t.Errorf("%v Hz at %d: %d components", f, rate, components)
			}
			// Nothing between the harmonics, nor above 4 kHz.
			for _, other := range []float64{f * 1.5, f * 2.5, 4500, 9000} {
				if db := 20 * math.Log10(goertzel(x, rate, other)/base); db > -50 && math.Mod(other, f) != 0 {
					t.Errorf("%v Hz at %d: %.0f dB at %v Hz", f, rate, db, other)
				}
			}
		}
	}
}

func TestPitch(t *testing.T) {
	x := render(burst, 48000, time.Second)[48*30 : 48*120]
	best, at := 0.0, 0.0
	for f := 700.0; f < 1100; f++ {
		if a := goertzel(x, 48000, f); a > best {
			best, at = a, f
		}
	}
	if math.Abs(at-880) > 2 {
		t.Errorf("loudest at %v Hz, want 880", at)
	}
}

// The sound follows drivers.Pattern.On; within the ramps it is between.
func TestPattern(t *testing.T) {
	for _, rate := range []int{44100, 48000} {
		x := render(burst, rate, 3*time.Second)
		for at := time.Duration(0); at+5*ms < 3*time.Second; at += 5 * ms {
			peak := 0
			for _, v := range x[int(at.Seconds()*float64(rate)):int((at+5*ms).Seconds()*float64(rate))] {
				peak = max(peak, int(v), -int(v))
			}
			on := burst.On(at) && burst.On(at+4999*time.Microsecond)
			settled := at >= 20*ms && burst.On(at-20*ms) && burst.On(at+25*ms)
			switch {
			case !burst.On(at) && !burst.On(at+4999*time.Microsecond) && peak > 0:
				t.Fatalf("rate %d: amplitude %d at %v in a pause", rate, peak, at)
			case on && settled && peak < 15000:
				t.Fatalf("rate %d: amplitude %d at %v in a pulse", rate, peak, at)
			}
		}
	}
}

// Each pulse takes 10 to 20 ms to rise (IEC 60601-1-8, from memory), so that
// there is no click: no step between samples is larger than the full tone has.
func TestRamp(t *testing.T) {
	const rate = 48000
	full := render(steady, rate, time.Second)
	limit := 0
	for i := rate / 2; i < rate; i++ {
		limit = max(limit, int(full[i])-int(full[i-1]), int(full[i-1])-int(full[i]))
	}
	x := render(pulses(500, time.Second, 100*ms, 300*ms), rate, time.Second)
	rise := 0
	for i := 1; i < len(x); i++ {
		if step := int(x[i]) - int(x[i-1]); step > limit || -step > limit {
			t.Fatalf("step of %d at %v s, the tone has %d", step, float64(i)/rate, limit)
		}
		if p := int(x[i]); rise == 0 && p > 25000 { // 0.8 of full scale is 26213
			rise = i - rate/10
		}
	}
	if d := time.Duration(rise) * time.Second / rate; d < 10*ms || d > 20*ms {
		t.Errorf("full after %v", d)
	}
}

// A pulse as long as the repetition is one tone without gaps.
func TestSteady(t *testing.T) {
	x := render(steady, 48000, 3*time.Second)
	for n := 48 * 20; n+480 < len(x); n += 480 {
		peak := int16(0)
		for _, v := range x[n : n+480] {
			peak = max(peak, v)
		}
		if peak < 20000 {
			t.Fatalf("amplitude %d at %v ms", peak, n/48)
		}
	}
}

func TestSilence(t *testing.T) {
	for _, p := range []*drivers.Pattern{nil, {Repeat: time.Second}, pulses(880, time.Second, 500*ms, 0)} {
		for i, v := range render(p, 48000, time.Second) {
			if v != 0 {
				t.Fatalf("%v: %d at frame %d", p, v, i)
			}
		}
	}
}

func TestStereo(t *testing.T) {
	s := NewSynth(48000, 0.5)
	s.Set(steady)
	b := make([]int16, 2000)
	s.Render(b, 2)
	top := int16(0)
	for i := 0; i < len(b); i += 2 {
		if b[i] != b[i+1] {
			t.Fatalf("frame %d: %d and %d", i/2, b[i], b[i+1])
		}
		top = max(top, b[i])
	}
	if top < 15000 || top > 16384 {
		t.Errorf("peak %d at half of full scale", top)
	}
}

// Any pattern renders without fault and within the level.
func FuzzSynth(f *testing.F) {
	f.Add(int64(0), int64(150), int64(1000), 880.0, 3)
	f.Add(int64(900), int64(500), int64(1000), 0.0, 2)
	f.Add(int64(-5), int64(-5), int64(-7), math.NaN(), 1)
	f.Add(int64(0), int64(1), int64(1), math.Inf(1), 1)
	f.Fuzz(func(t *testing.T, start, length, repeat int64, tone float64, channels int) {
		const day = 86_400_000
		if channels < 1 || channels > 8 || max(start, -start, length, -length, repeat, -repeat) > day {
			return
		}
		s := NewSynth(8000, 0.5)
		s.Set(pulses(tone, time.Duration(repeat)*ms, time.Duration(start)*ms, time.Duration(length)*ms))
		b := make([]int16, 1000*channels)
		for range 3 {
			s.Render(b, channels)
		}
		for _, v := range b {
			if v > 16384 || v < -16384 {
				t.Fatalf("%d at half of full scale", v)
			}
		}
	})
}

func BenchmarkRender(b *testing.B) {
	s := NewSynth(48000, 0.8)
	s.Set(steady)
	buf := make([]int16, 960)
	b.ReportAllocs()
	for b.Loop() {
		s.Render(buf, 2) // 10 ms of stereo
	}
}

func BenchmarkSet(b *testing.B) {
	s := NewSynth(48000, 0.8)
	other := *burst
	other.Tone = 660
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if i%2 == 0 {
			s.Set(burst)
		} else {
			s.Set(&other)
		}
	}
}
