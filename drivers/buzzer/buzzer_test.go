package buzzer

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

const ms = time.Millisecond

var twice = &drivers.Pattern{
	Name:   "twice",
	Pulses: []drivers.Pulse{{Start: 0, Length: 100 * ms}, {Start: 200 * ms, Length: 100 * ms}},
	Repeat: time.Second,
}

func TestPattern(t *testing.T) {
	for _, activeLow := range []bool{false, true} {
		t.Run(fmt.Sprint("activeLow=", activeLow), func(t *testing.T) {
			c := clock.NewVirtual(time.Unix(0, 0), 0)
			board := emulated.NewBoard(c)
			pin := board.AddPin("GPIO18")
			d, err := Open(board, Options{Line: "GPIO18", ActiveLow: activeLow})
			if err != nil {
				t.Fatal(err)
			}
			sounds := func() bool { return bool(pin.Read()) != activeLow }
			if sounds() {
				t.Fatal("it sounds before a pattern is set")
			}
			if err := d.Set(twice); err != nil {
				t.Fatal(err)
			}
			if !sounds() {
				t.Fatal("it does not sound at once")
			}
			const start = 7777 * ms
			for at := time.Duration(0); at < 2500*ms; at += 20 * ms {
				if err := d.Tick(start + at); err != nil {
					t.Fatal(err)
				}
				// Setting it again must not begin it again.
				if err := d.Set(twice); err != nil {
					t.Fatal(err)
				}
				in := at % time.Second
				if want := in < 100*ms || (in >= 200*ms && in < 300*ms); sounds() != want {
					t.Fatalf("%v into the pattern: sounds %v, want %v", at, sounds(), want)
				}
			}
			if err := d.Set(twice); err != nil {
				t.Fatal(err)
			}
			if err := d.Tick(start + 3*time.Second); err != nil || !sounds() {
				t.Fatalf("third second: %v, sounds %v", err, sounds())
			}
			if err := d.Set(nil); err != nil || sounds() {
				t.Fatalf("silenced: %v, sounds %v", err, sounds())
			}
			if err := d.Set(&drivers.Pattern{Pulses: []drivers.Pulse{{Length: time.Hour}}}); err != nil || !sounds() {
				t.Fatalf("steady: %v, sounds %v", err, sounds())
			}
			for range 2 {
				if err := d.Close(); err != nil || sounds() {
					t.Fatalf("closed: %v, sounds %v", err, sounds())
				}
			}
			if err := d.Set(twice); err == nil || sounds() {
				t.Fatalf("set after Close: %v, sounds %v", err, sounds())
			}
		})
	}
}

// What the sounder's failure means is told; what the line does then, package line
// tests.
func TestTold(t *testing.T) {
	board := emulated.NewBoard(clock.NewVirtual(time.Unix(0, 0), 0))
	board.AddPin("GPIO18").SetFail(syscall.EBUSY)
	_, err := Open(board, Options{Line: "GPIO18"})
	if !errors.Is(err, syscall.EBUSY) || !strings.Contains(drivers.HintOf(err), "not be heard") {
		t.Errorf("%v", err)
	}
}

// Steady sounds through the pauses; a tone is on the line while it sounds.
func TestSteadyAndTone(t *testing.T) {
	board := emulated.NewBoard(clock.NewVirtual(time.Unix(0, 0), 0))
	pin := board.AddPin("pwmchip0/pwm0")
	for _, steady := range []bool{false, true} {
		d, err := Open(board, Options{Line: "pwmchip0/pwm0", Tone: 2400, Steady: steady})
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Set(twice); err != nil {
			t.Fatal(err)
		}
		for at := time.Duration(0); at < 3*time.Second; at += 20 * ms {
			if err := d.Tick(at); err != nil {
				t.Fatal(err)
			}
			want := physic.Frequency(0)
			if steady || twice.On(at) {
				want = 2400 * physic.Hertz
			}
			if got := pin.Tone(); got != want {
				t.Fatalf("steady %v, %v: %v, want %v", steady, at, got, want)
			}
		}
		if err := d.Close(); err != nil || pin.Tone() != 0 || pin.Read() != gpio.Low {
			t.Errorf("closed: %v, %v", err, pin.Tone())
		}
	}
}
