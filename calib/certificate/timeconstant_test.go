package certificate

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"tipoff/calib/chain"
)

// lagged is a certificate of a time constant from three ties.
func lagged(t testing.TB, trials ...Trial) Certificate {
	t.Helper()
	if trials == nil {
		trials = []Trial{{2.9, 0.06, "step of +66.1 K from 22.7 °C"}, {3.1, 0.06, "step of +65.0 K from 22.5 °C"}, {3.05, 0.1, "run 2026-11-25-001"}}
	}
	c := Certificate{Channel: "glass", Role: "glass", Procedure: "step", Date: day, Due: day.AddDate(1, 0, 0), Who: "Em",
		Room: 21, Change: math.NaN(), Fit: LagFit(), Trials: trials}
	var err error
	if c.Lag, err = SolveLag(trials); err != nil {
		t.Fatal(err)
	}
	return c
}

// The weighted mean and its Birge ratio, by hand: weights 1/0.06² twice and
// 1/0.1². Mean 3.007 s, u by the weights 0.0391 s, χ² = 5.80 of 2, so u becomes
// 0.0391·√2.90 = 0.0666 s; with 1.5 % that all share, 0.0804 s.
func TestSolveLag(t *testing.T) {
	l, err := SolveLag(lagged(t).Trials)
	w1, w2 := 1/(0.06*0.06), 1/(0.1*0.1)
	mean := (2.9*w1 + 3.1*w1 + 3.05*w2) / (2*w1 + w2)
	chi2 := sq(2.9-mean)*w1 + sq(3.1-mean)*w1 + sq(3.05-mean)*w2
	u := math.Hypot(math.Sqrt(1/(2*w1+w2))*math.Sqrt(chi2/2), 0.015*mean)
	if err != nil || math.Abs(l.Tau-mean) > 1e-12 || math.Abs(l.U-u) > 1e-12 || math.Abs(l.Tau-3.007) > 1e-3 || math.Abs(l.U-0.0804) > 2e-4 {
		t.Errorf("%+v (%v); want %v ± %v", l, err, mean, u)
	}
	for name, c := range map[string]struct {
		trials []Trial
		want   string
	}{
		"none":      {nil, "too few"},
		"NaN":       {[]Trial{{math.NaN(), 0.1, ""}}, "not a number"},
		"infinite":  {[]Trial{{3, math.Inf(1), ""}}, "not a number"},
		"no u":      {[]Trial{{3, 0, ""}}, "no uncertainty"},
		"bare wire": {[]Trial{{0.05, 0.001, ""}}, "absurd"},
		"sheathed":  {[]Trial{{90, 1, ""}}, "absurd"},
		"vague":     {[]Trial{{3, 2, ""}}, "as good as nothing"},
		"scattered": {[]Trial{{2, 0.05, ""}, {2.1, 0.05, ""}, {4, 0.05, ""}}, "trial 3"},
	} {
		_, err := SolveLag(c.trials)
		var r *Refusal
		if !errors.As(err, &r) || r.Do == "" || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want a refusal with %q and what to do", name, err, c.want)
		}
	}
}

func sq(x float64) float64 { return x * x }

func TestLagRoundTrip(t *testing.T) {
	c := lagged(t)
	got, err := Parse("c.toml", c.Encode())
	if err != nil || !same(got, c) || !got.IsLag() {
		t.Fatalf("comes back as %+v (%v)\n%s", got, err, c.Encode())
	}
	good := string(c.Encode())
	for name, x := range map[string]struct{ old, new, want string }{
		"altered":     {`tau = "2.9 s"`, `tau = "2.8 s"`, "do not follow"},
		"NaN":         {`tau = "2.9 s"`, `tau = "nan s"`, "tau"},
		"endless":     {`tau = "2.9 s"`, `tau = "inf s"`, "tau"},
		"wrong unit":  {`tau = "2.9 s"`, `tau = "2.9 K"`, "tau"},
		"no trials":   {"[[trial]]", "[[trail]]", "trail"},
		"gauge":       {`role = "glass"`, `role = "pressure"`, "drift_per_year"},
		"ambient":     {`role = "glass"`, `role = "ambient"`, "kind"},
		"with points": {"[[trial]]\n", "[[point]]\nreference = \"0 °C\"\nindicated = \"0 °C\"\nu = \"0.1 K\"\n[[trial]]\n", "trials only"},
	} {
		bad := strings.Replace(good, x.old, x.new, 1)
		if _, err := Parse("c.toml", []byte(bad)); bad == good || err == nil || !strings.Contains(err.Error(), x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want one line with %q", name, err, x.want)
		}
	}
	points := glass(t)
	points.Trials = c.Trials
	if err := points.Check(); err == nil {
		t.Error("points and trials in one certificate are accepted")
	}
}

// A time constant stands beside the certificate of values and replaces none.
func TestLatestLag(t *testing.T) {
	dir := t.TempDir()
	older, newer := lagged(t), lagged(t, Trial{2.5, 0.05, "step"})
	newer.Date = day.Add(time.Hour)
	for _, c := range []Certificate{glass(t), newer, older} {
		if _, err := Write(dir, c); err != nil {
			t.Fatal(err)
		}
	}
	if c, err := Latest(dir, "glass"); err != nil || c == nil || c.IsLag() {
		t.Errorf("values: %+v, %v", c, err)
	}
	if c, err := LatestLag(dir, "glass"); err != nil || c == nil || c.Lag.Tau != 2.5 {
		t.Errorf("time constant: %+v, %v", c, err)
	}
	if c, err := LatestLag(dir, "shell"); err != nil || c != nil {
		t.Errorf("of another channel: %+v, %v", c, err)
	}
	newer.Compare(&older)
	if math.Abs(newer.Change-(newer.Lag.Tau-older.Lag.Tau)) > 1e-12 || !newer.Drifting || math.Abs(newer.ChangeU-math.Hypot(newer.Lag.U, older.Lag.U)) > 1e-12 {
		t.Errorf("change %v ± %v, drifting %v", newer.Change, newer.ChangeU, newer.Drifting)
	}
	if got, err := Parse("c.toml", newer.Encode()); err != nil || !same(got, newer) {
		t.Errorf("with its change: %+v, %v", got, err)
	}
	values := glass(t)
	newer.Compare(&values)
	if newer.Change == newer.Change {
		t.Error("a time constant is compared with points")
	}
}

// The chain's lag follows the certificate, and goes back to bench.toml's.
func TestUseLag(t *testing.T) {
	spec := chain.Spec{Kind: chain.SpecThermocouple, Params: chain.Params{Type: 'K', Lag: 2 * time.Second}}
	inner, err := chain.New("glass", spec, chain.Input{Kind: chain.Thermocouple, Scale: 0.25, Integer: true, AuxScale: 0.0625, Interval: 100 * time.Millisecond, Type: 'K'}, 50)
	if err != nil {
		t.Fatal(err)
	}
	_, handle := Follow(inner, nil)
	c := lagged(t)
	if ok, err := handle.UseLag(&c); !ok || err != nil || math.Abs(handle.TimeConstant().Seconds()-c.Lag.Tau) > 1e-8 {
		t.Errorf("%v, %v, time constant %v; want %v s", ok, err, handle.TimeConstant(), c.Lag.Tau)
	}
	if ok, err := handle.UseLag(nil); !ok || err != nil || handle.TimeConstant() != 2*time.Second {
		t.Errorf("%v, %v, time constant %v; want bench.toml's 2 s", ok, err, handle.TimeConstant())
	}
	_, other := Follow(&fixed{}, nil)
	if ok, err := other.UseLag(&c); ok || err != nil || other.TimeConstant() != 0 {
		t.Errorf("a chain without lag: %v, %v", ok, err)
	}
}
