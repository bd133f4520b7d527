package bench_test

import (
	"context"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/unit"
	"tipoff/deploy"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/drift"
	"tipoff/logger/status"
)

// idling runs the demo's bench, vented and idle, on a folder in which a current
// without an arc had been off twice before.
func idling(t *testing.T, hum float64) (dir string, b *bench.Bench) {
	t.Helper()
	dir = t.TempDir()
	seen := `{"version": 1, "channels": [{"channel": "bombarder", "role": "current",
		"checks": [{"against": "arc-off", "offset": 0.02, "u": 0.003, "strikes": 2, "need": 3, "text": "as before"}]}]}`
	if err := os.WriteFile(filepath.Join(dir, drift.File), []byte(seen), 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		t.Fatal(err)
	}
	c := clock.NewVirtual(dayOne, 0)
	board := emulated.NewBoard(c)
	w := plant.DefaultWiring()
	wired := plant.NewShow(c, 1).Wire(board, w)
	wired.Gauges.Input[0] = func(time.Duration) float64 { return (5.625 + math.Log10(760)) / plant.Divider }
	wired.Gauges.Input[1] = func(time.Duration) float64 { return 10.6 / plant.Divider }
	wired.Thermocouple.Hot = func(time.Duration) float64 { return 22.3 }
	wired.Current.Input[0] = func(at time.Duration) float64 {
		return w.Vref/2 + hum*math.Sqrt2*math.Sin(2*math.Pi*50*at.Seconds())*w.Burden/w.Turns
	}
	cfg.Store.Directory = dir
	cfg.RoomPressure = 760 * unit.Torr
	parts, err := bench.FromConfig(cfg, registry.All(), board, c)
	if err != nil {
		t.Fatal(err)
	}
	b, err = bench.New(bench.Options{Clock: c, Name: cfg.Name, Layout: parts.Layout, Devices: parts.Devices, Chains: parts.Chains,
		Directory: dir, Envelope: bench.PlantOf(cfg), BenchText: string(text), Version: "test", Speed: 1, Patient: true,
		Calibrations: parts.Calibrations})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Run(context.Background(), func(at time.Duration) bool { return at > 75*time.Second }); err != nil {
		t.Fatal(err)
	}
	return dir, b
}

// A current that hums without an arc, the third morning in a row: an alarm of low
// priority that says what to do, and a metric's value; kept for the next start. On
// a bench in order the count begins anew.
func TestDriftIsToldAndKept(t *testing.T) {
	for hum, told := range map[float64]bool{0.015: true, 0: false} {
		dir, b := idling(t, hum)
		s := b.Snapshot()
		x := trouble(s, "calibration-drifting", "bombarder")
		if (x != nil) != told || told && (!strings.Contains(x.Cause, "mA with the arc off") || !strings.Contains(x.Hint, "clamp meter")) {
			t.Errorf("hum %g A: %+v", hum, x)
		}
		if a := alarmed(s); (a != nil) != told || told && a.Definition.Priority != alarm.Low {
			t.Errorf("hum %g A: alarm %+v", hum, a)
		}
		if got := b.DriftOf("bombarder"); (got != "") != told || b.DriftOf("nothing") != "" {
			t.Errorf("hum %g A: says %q", hum, got)
		}
		against := map[string]status.Drift{}
		for i, ch := range s.Layout.Channels {
			for _, d := range s.Channels[i].Drifts {
				against[ch.Name+" "+d.Against] = d
			}
			if ch.Name == "bombarder" && s.Channels[i].Drifting != told {
				t.Errorf("hum %g A: drifting %v", hum, s.Channels[i].Drifting)
			}
		}
		if d, ok := against["bombarder arc-off"]; !ok || math.Abs(d.Offset-hum) > 0.002 || d.Drifts != told {
			t.Errorf("hum %g A: %+v", hum, against)
		}
		if d, ok := against["manifold atmosphere"]; !ok || d.Drifts || math.Abs(d.Offset) > 2*d.U {
			t.Errorf("gauge without certificate at the atmosphere: %+v", against)
		}
		// A glass reading whose gain drifts shows in what the runs teach alone.
		if got := b.DriftOf("glass"); got != "" {
			t.Errorf("the glass, of which no run tells: %q", got)
		}
		var runs []drift.Heated
		for i := range 20 {
			runs = append(runs, drift.Heated{Heating: 30 - float64(i)/2, U: 0.1})
		}
		b.Heated(runs)
		if got := b.DriftOf("glass"); !strings.Contains(got, "heat the glass 31 % less") || b.DriftOf("manifold") != "" {
			t.Errorf("the glass, which is heated less from run to run: %q", got)
		}
		kept, err := os.ReadFile(filepath.Join(dir, drift.File))
		if want := map[bool]string{true: `"strikes": 3`, false: `"strikes": 0`}[told]; err != nil || !strings.Contains(string(kept), want) {
			t.Errorf("hum %g A: kept %s (%v), want %s", hum, kept, err, want)
		}
	}
}
