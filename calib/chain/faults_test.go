package chain

import (
	"math"
	"testing"
	"time"

	"tipoff/calib"
)

// A leap that glass cannot make, two samples long as sparks come, is left out;
// one that lasts is believed with its third sample, and marked.
func TestImpossibleLeap(t *testing.T) {
	run := func(wild int) (most float64, told int, q calib.Quality) {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{MaxRate: 15}}, k31856())
		told = -1
		for i := range 100 {
			x := 200 + 0.1*float64(i%3)
			if i >= 50 && i < 50+wild {
				x += 60
			}
			at := time.Duration(i) * 110 * ms
			c.Push(at, math.Round(x*128), 27*64, 0)
			v, _, _ := c.Take(at + 10*ms)
			q |= v.Q
			most = max(most, v.X)
			if v.X > 250 && told < 0 {
				told = i - 50
			}
		}
		return most, told, q
	}
	for _, wild := range []int{1, 2} {
		if most, _, q := run(wild); most > 201 || q&calib.Spike == 0 || q&calib.Invalid != 0 {
			t.Errorf("%d wild samples: up to %v °C, %v", wild, most, q)
		}
	}
	if _, told, q := run(50); told != 2 || q&calib.TooFast == 0 {
		t.Errorf("a real leap is told %d samples later, %v; want 2 and marked", told, q)
	}
}

// A reversed thermocouple reads as far below the room as the glass is above it.
func TestReversedThermocouple(t *testing.T) {
	for role, lost := range map[string]bool{"glass": true, "shell": true, "ambient": false} {
		c := must(t, role, Spec{Kind: SpecThermocouple}, k31856())
		c.Push(0, -40*128, 27*64, 0)
		if v, _, _ := c.Take(ms); v.Good() == lost || (v.Q&calib.UnderRange != 0) != lost {
			t.Errorf("%s 67 °C below its terminals: %+v", role, v)
		}
		c = must(t, role, Spec{Kind: SpecThermocouple}, k31856())
		c.Push(0, 2*128, 27*64, 0)
		if v, _, _ := c.Take(ms); !v.Good() {
			t.Errorf("%s 25 °C below its terminals: %+v", role, v)
		}
	}
}

// Noise that comes back after a code that stood for a minute is noise, no spikes.
func TestNoiseAfterStanding(t *testing.T) {
	c := must(t, "glass", Spec{Kind: SpecThermocouple}, k31856())
	spikes := 0
	for i := range 1500 {
		x := 200*128 + 30*math.Sin(float64(i)*1.7)
		if i >= 400 && i < 1000 {
			x = 200 * 128
		}
		at := time.Duration(i) * 100 * ms
		c.Push(at, math.Round(x), 27*64, 0)
		if v, _, _ := c.Take(at + 10*ms); i > 100 && v.Q&calib.Spike != 0 {
			spikes++
		}
	}
	if spikes > 0 {
		t.Errorf("%d readings marked as spikes", spikes)
	}
}

// A number in steps of 0.25 °C, as the kernel gives a MAX6675's (data sheet: 12 bits
// of 0.25 °C), that trembles by a step or two now and then makes no spikes; a
// spike of 20 °C is one, also where the only steps that were seen are spikes of one
// height.
func TestStepsOfTransmittedNumber(t *testing.T) {
	in := Input{Kind: Temperature, Scale: 1e-3, Interval: 500 * ms, Acc: Accuracy{Offset: 2}}
	for name, c := range map[string]struct {
		at     func(i int) float64 // °C
		spikes int                 // readings
	}{
		"trembles now and then": {func(i int) float64 {
			if i%13 == 5 {
				return 399.75
			}
			return 400 + 0.25*float64(i/16%2)
		}, 0},
		"and one spike": {func(i int) float64 {
			if i == 150 {
				return 420
			}
			return 400 + 0.25*[]float64{0, 1, -1, 0, 0, 1, 0, -1}[i%8]
		}, 1},
		"spikes alone": {func(i int) float64 {
			if i%20 == 10 {
				return 420
			}
			return 400
		}, 9},
	} {
		ch := must(t, "shell", Spec{Kind: SpecNone}, in)
		spikes, most := 0, 0.0
		for i := range 200 {
			at := time.Duration(i) * 500 * ms
			ch.Push(at, math.Round(1000*c.at(i)), math.NaN(), 0)
			v, _, _ := ch.Take(at + 10*ms)
			if v.Q&calib.Spike != 0 && i > 20 { // the steps have to be seen
				spikes++
			}
			most = max(most, v.X)
		}
		if spikes != c.spikes || most > 401 {
			t.Errorf("%s: %d readings marked as spikes, want %d; up to %.2f °C", name, spikes, c.spikes, most)
		}
	}
}

// A thermocouple's code that repeats is alive while its cold junction moves.
func TestFrozenNeedsBothCodes(t *testing.T) {
	for moving, frozen := range map[bool]bool{true: false, false: true} {
		c := must(t, "glass", Spec{Kind: SpecThermocouple, Params: Params{FrozenFor: time.Second}}, k31856())
		var v calib.Value
		for i := range 30 {
			cold := 27.0 * 64
			if moving {
				cold += float64(i % 2)
			}
			c.Push(time.Duration(i)*100*ms, 200*128, cold, 0)
			v, _, _ = c.Take(time.Duration(i) * 100 * ms)
		}
		if (v.Q&calib.Frozen != 0) != frozen {
			t.Errorf("cold junction moving %v: %+v", moving, v)
		}
	}
}

// A waveform of one code is a dead line, unless it is where the line rests.
func TestDeadWaveform(t *testing.T) {
	in := Input{Kind: Voltage, Scale: 3.3 / 4096, Integer: true, RawMax: 4095, Interval: ms / 2, Waveform: true}
	for code, want := range map[float64]calib.Quality{
		2048: 0, 0: calib.SensorFault, 4095: calib.SensorFault, 2600: calib.Frozen,
	} {
		c := must(t, "current", Spec{Kind: SpecCurrent, Params: Params{Ratio: 1000, Burden: 820, Bias: 1.65}}, in)
		var v calib.Value
		for i := range 1000 {
			at := time.Duration(i) * ms / 2
			c.Push(at, code, math.NaN(), 0)
			if i%200 == 199 {
				v, _, _ = c.Take(at)
			}
		}
		if v.Q&calib.Invalid != want || want == 0 && v.X > 0.01 {
			t.Errorf("code %v: %+v, want %v", code, v, want)
		}
	}
}
