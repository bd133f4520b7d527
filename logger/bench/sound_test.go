package bench_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/buzzer"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/lamp"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
)

// stuck is an output whose calls do not come back between two times.
type stuck struct {
	drivers.Sounder
	clock    *clock.Virtual
	from, to time.Duration
}

func (s *stuck) Tick(now time.Duration) error {
	if now >= s.from && now < s.to {
		_ = s.clock.SleepUntil(context.Background(), s.to)
	}
	return s.Sounder.Tick(now)
}

// Four outputs, of which one breaks in mid alarm, one hangs and one is not there
// at the start: the sound one sounds on time, each other is told of by name, and
// works again within 2 s of its fault's end.
func TestSeveralSounders(t *testing.T) {
	const (
		broken = 30 * time.Second // the glass passes its ceiling before
		mended = 40 * time.Second
	)
	r := newRigged(t)
	var bn *bench.Bench
	board := emulated.NewBoard(r.clock)
	pins := map[string]*emulated.Pin{}
	for _, n := range []string{"GPIO18", "GPIO22", "GPIO23", "GPIO24"} {
		pins[n] = board.AddPin(n)
	}
	there := false
	open := func(line string) bench.Output {
		return bench.Output{Name: "buzzer on " + line, Open: func() (drivers.Sounder, error) {
			return buzzer.Open(board, buzzer.Options{Line: line, Steady: true})
		}}
	}
	late := bench.Output{Name: "buzzer on GPIO23", Open: func() (drivers.Sounder, error) {
		if !there {
			return nil, &drivers.Error{Device: "buzzer on GPIO23", Doing: "opening", Is: drivers.NotPresent,
				Err: errors.New("no such line"), Hint: "plug it in"}
		}
		return open("GPIO23").Open()
	}}
	hangs := bench.Output{Name: "lamp on GPIO24", Open: func() (drivers.Sounder, error) {
		d, err := lamp.Open(board, lamp.Options{Line: "GPIO24"})
		return &stuck{Sounder: d, clock: r.clock, from: broken, to: mended}, err
	}}
	r.outputs = []bench.Output{open("GPIO18"), open("GPIO22"), late, hangs}
	r.remake(t)
	bn = r.bench
	told := map[string]string{}
	well := map[string]time.Duration{}
	r.each = func(at time.Duration) {
		if at == 20*time.Second {
			r.world.hot[0] = 400 // far over any glass's ceiling
		}
		if at == broken {
			pins["GPIO22"].SetFail(errors.New("line lost"))
			for _, a := range bn.Snapshot().Alarms { // the next sound is the fault's test
				if a.Definition.ID == alarm.SounderFailed {
					return
				}
			}
			t.Error("a sounder that is missing raises no alarm")
		}
		if at == mended {
			pins["GPIO22"].SetFail(nil)
			there = true
		}
		if at == 35*time.Second {
			if err := bn.Acknowledge(""); err != nil {
				t.Error(err)
			}
		}
		if at > 22*time.Second && at < 35*time.Second && pins["GPIO18"].Read() != gpio.High {
			t.Errorf("%v: the sound buzzer is silent", at)
		}
		now := map[string]bool{}
		for _, x := range bn.Snapshot().Troubles {
			if x.Kind.Code == "sounder-silent" {
				told[x.Subject] = x.Cause + ": " + x.Hint
				now[x.Subject] = true
			}
		}
		for s := range told {
			if at > mended && !now[s] && well[s] == 0 {
				well[s] = at - mended
			}
		}
	}
	if err := bn.Run(t.Context(), func(now time.Duration) bool { return now >= 45*time.Second }); err != nil {
		t.Fatal(err)
	}
	for name, part := range map[string]string{"buzzer on GPIO22": "line lost", "buzzer on GPIO23": "plug it in", "lamp on GPIO24": "does not come back"} {
		if !strings.Contains(told[name], part) {
			t.Errorf("%s: told %q, want %q in it", name, told[name], part)
		}
		if w := well[name]; w == 0 || w > 2*time.Second {
			t.Errorf("%s: well again after %v", name, w)
		}
	}
	if told["buzzer on GPIO18"] != "" {
		t.Errorf("the sound one is told of: %s", told["buzzer on GPIO18"])
	}
}
