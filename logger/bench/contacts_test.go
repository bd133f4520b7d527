package bench_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/drivers"
	"tipoff/drivers/buzzer"
	"tipoff/drivers/emulated"
	"tipoff/drivers/registry"
	"tipoff/logger/alarm"
	"tipoff/logger/bench"
	"tipoff/logger/config"
)

const buttonBench = `
[[channel]]
name = "button"
role = "contact"
purpose = "acknowledge"
driver = "contact"
bus = "GPIO27"
debounce = "20 ms"
`

// A press of the button at the bench, as short as a finger's, silences the alarm
// within a frame and the debounce; it bounces and does so once; a button that is
// held does not keep later alarms silent.
func TestAcknowledgeButton(t *testing.T) {
	r := newRigged(t)
	cfg, err := config.Parse("bench.toml", []byte(benchHead+"[[channel]]"+subjectsOf[glassCh].toml+buttonBench), registry.All())
	if err != nil {
		t.Fatal(err)
	}
	board := emulated.NewBoard(r.clock)
	tc := emulated.NewMAX31856(r.clock)
	hot := 100.0
	tc.Hot = func(time.Duration) float64 { return hot }
	tc.Cold = func(time.Duration) float64 { return 25 }
	board.AddSPI("/dev/spidev0.0", tc)
	button, line := board.AddPin("GPIO27"), board.AddPin("GPIO18")
	button.Drive(gpio.High)
	if r.parts, err = bench.FromConfig(cfg, registry.All(), board, r.clock); err != nil {
		t.Fatal(err)
	}
	r.outputs = []bench.Output{{Name: "buzzer on GPIO18", Open: func() (drivers.Sounder, error) {
		return buzzer.Open(board, buzzer.Options{Line: "GPIO18", Steady: true})
	}}}
	r.remake(t)
	press := func(hold time.Duration) {
		r.clock.Go(func() {
			for _, step := range []time.Duration{2, 3, 1} { // bounces, ms
				button.Drive(gpio.Low)
				_ = r.clock.SleepUntil(context.Background(), r.clock.Now()+step*time.Millisecond)
				button.Drive(gpio.High)
				_ = r.clock.SleepUntil(context.Background(), r.clock.Now()+step*time.Millisecond)
			}
			button.Drive(gpio.Low)
			_ = r.clock.SleepUntil(context.Background(), r.clock.Now()+hold)
			button.Drive(gpio.High)
		})
	}
	state := func(id string) alarm.State {
		for _, a := range r.bench.Snapshot().Alarms {
			if a.Definition.ID == id {
				return a.State
			}
		}
		return alarm.Normal
	}
	jam := func() string {
		for _, x := range r.bench.Snapshot().Troubles {
			if x.Kind.Code == "button-held" && x.Subject == "button" {
				return x.Cause + ": " + x.Hint
			}
		}
		return ""
	}
	r.each = func(at time.Duration) {
		switch at {
		case 5 * time.Second:
			hot = 500
		case 10 * time.Second:
			if line.Read() != gpio.High {
				t.Error("no alarm sounds")
			}
			press(60 * time.Millisecond)
		case 10300 * time.Millisecond:
			if line.Read() != gpio.Low || state(alarm.GlassOverCeiling) != alarm.Acknowledged {
				t.Errorf("0.3 s after the press: line %v, state %v", line.Read(), state(alarm.GlassOverCeiling))
			}
			hot = 100
		case 20 * time.Second: // well again, and now held for long
			press(time.Minute)
		case 25 * time.Second:
			hot = 500
			if said := jam(); said != "" {
				t.Errorf("told after 5 s: %s", said)
			}
		case 30 * time.Second:
			if line.Read() != gpio.High {
				t.Error("a button that is held keeps a new alarm silent")
			}
		case 31 * time.Second:
			for _, part := range []string{"contact on GPIO27", "closed for 10 s", "let go", "docs/wiring"} {
				if !strings.Contains(jam(), part) {
					t.Errorf("a jammed button is told as %q, want %q in it", jam(), part)
				}
			}
			r.clock.Go(func() { // it opens for a moment, as a bad contact does
				button.Drive(gpio.High)
				_ = r.clock.SleepUntil(context.Background(), at+300*time.Millisecond)
				button.Drive(gpio.Low)
			})
		case 32 * time.Second:
			if line.Read() != gpio.High {
				t.Error("a jammed button's bad contact acknowledges")
			}
		case 83 * time.Second: // let go of for 1.9 s
			if jam() != "" {
				t.Errorf("told of a button that has been let go of: %s", jam())
			}
			press(60 * time.Millisecond)
		case 83500 * time.Millisecond:
			if line.Read() != gpio.Low {
				t.Error("a button that was jammed does not work again")
			}
		}
	}
	if err := r.bench.Run(t.Context(), func(now time.Duration) bool { return now >= 84*time.Second }); err != nil {
		t.Fatal(err)
	}
}

// What a purpose may be is said with line and key.
func TestPurposeRefused(t *testing.T) {
	for text, want := range map[string]string{
		strings.Replace(buttonBench, `"acknowledge"`, `"trip"`, 1): `purpose`,
		strings.Replace(buttonBench, `"acknowledge"`, `"torch"`, 1) + strings.NewReplacer(`"acknowledge"`, `"torch"`, `"button"`, `"other"`, "GPIO27", "GPIO22").Replace(buttonBench): `one contact of this purpose`,
		"[[channel]]" + strings.Replace(subjectsOf[glassCh].toml, `role = "glass"`, "role = \"glass\"\npurpose = \"stopcock\"", 1):                                                    `only for role`,
	} {
		_, err := config.Parse("bench.toml", []byte(benchHead+text), registry.All())
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", text, err)
		}
	}
}
