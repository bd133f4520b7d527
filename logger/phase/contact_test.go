package phase

import (
	"math"
	"testing"
	"time"

	"tipoff/calib"
	"tipoff/logger/frame"
)

// On a bench without a usable current the contactor's contact tells when the arc
// burns: live and afterwards the phases agree better with it than without.
func TestContactorStandsInForTheCurrent(t *testing.T) {
	var live, after [2]score
	for seed := range uint64(20) {
		s := newSynth(seed+500, 0.1)
		s.evening(varied(seed + 500))
		for with := range 2 {
			obs := make([]Observation, len(s.obs))
			for i, o := range s.obs {
				if with == 1 {
					o.Contactor = frame.SwitchOff
					if o.Current > 0.1 {
						o.Contactor = frame.SwitchOn
					}
				}
				o.Current = math.NaN()
				obs[i] = o
			}
			live[with].add(seed, s.truth, track(obs, Options{}), 5*time.Second)
			after[with].add(seed, s.truth, Smooth(obs, Options{}), time.Second)
		}
	}
	for name, x := range map[string][2]score{"live": live, "afterwards": after} {
		t.Logf("%s: agreement %.4f with the contact, %.4f without; boundaries %.3f and %.3f",
			name, x[1].mean(), x[0].mean(), x[1].share(), x[0].share())
		if x[1].mean() <= x[0].mean() || x[1].share() < x[0].share() {
			t.Errorf("%s: the contact does not help", name)
		}
	}
}

// A current of nothing while the contactor is on is no news; one that is measured
// goes before the contact.
func TestObserveContactor(t *testing.T) {
	l := frame.NewLayout(time.Second, []frame.Channel{{Name: "amps", Role: frame.Current}, {Name: "k1", Role: frame.Contact, Purpose: frame.Contactor}})
	for _, c := range []struct {
		amps calib.Value
		k    float64
		want Observation
	}{
		{calib.Value{X: 0.5}, 1, Observation{Current: 0.5, Contactor: frame.SwitchOn}},
		{calib.Value{X: 0, Q: calib.Contradicted}, 1, Observation{Current: math.NaN()}},
		{calib.Value{X: 0, Q: calib.Contradicted}, 0, Observation{Current: 0, Contactor: frame.SwitchOff}},
		{calib.Value{X: math.NaN(), Q: calib.NoReading}, 1, Observation{Current: math.NaN(), Contactor: frame.SwitchOn}},
	} {
		var f frame.Frame
		f.Readings[0].Value, f.Readings[1].Value = c.amps, calib.Value{X: c.k}
		got := Observe(l, &f)
		same := got.Current == c.want.Current || got.Current != got.Current && c.want.Current != c.want.Current
		if !same || got.Contactor != c.want.Contactor {
			t.Errorf("%v, contact %v: %+v, want %+v", c.amps, c.k, got, c.want)
		}
	}
}
