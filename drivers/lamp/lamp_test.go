package lamp

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

const ms = time.Millisecond

// A sound with a pause that the light must not follow.
var (
	first  = &drivers.Pattern{Name: "first", Pulses: []drivers.Pulse{{Length: 100 * ms}}, Repeat: 2 * time.Second}
	second = &drivers.Pattern{Name: "second", Pulses: []drivers.Pulse{{Start: ms, Length: ms}}, Repeat: time.Second}
)

func TestLight(t *testing.T) {
	for _, flash := range []bool{false, true} {
		for _, activeLow := range []bool{false, true} {
			t.Run(fmt.Sprintf("flash=%v activeLow=%v", flash, activeLow), func(t *testing.T) {
				board := emulated.NewBoard(clock.NewVirtual(time.Unix(0, 0), 0))
				pin := board.AddPin("GPIO17")
				d, err := Open(board, Options{Line: "GPIO17", ActiveLow: activeLow, Flash: flash})
				if err != nil {
					t.Fatal(err)
				}
				lit := func() bool { return bool(pin.Read()) != activeLow }
				if lit() {
					t.Fatal("lit without an alarm")
				}
				if err := d.Set(first); err != nil || !lit() {
					t.Fatalf("not lit at once: %v", err)
				}
				const start = 1234 * ms
				edges, was := 0, true
				for at := time.Duration(0); at < 5*time.Second; at += 10 * ms {
					if at == 2520*ms { // another alarm
						if err := d.Set(second); err != nil {
							t.Fatal(err)
						}
					}
					if err := d.Tick(start + at); err != nil {
						t.Fatal(err)
					}
					if want := !flash || at%(500*ms) < 250*ms; lit() != want {
						t.Fatalf("at %v: lit %v, want %v", at, lit(), want)
					}
					if lit() != was {
						edges, was = edges+1, lit()
					}
				}
				if want := map[bool]int{false: 0, true: 19}[flash]; edges != want {
					t.Errorf("%d changes in 5 s, want %d", edges, want)
				}
				if err := d.Set(nil); err != nil || lit() {
					t.Fatalf("silenced: %v, lit %v", err, lit())
				}
				if err := d.Set(second); err != nil || !lit() {
					t.Fatalf("again: %v, lit %v", err, lit())
				}
				for range 2 {
					if err := d.Close(); err != nil || lit() {
						t.Fatalf("closed: %v, lit %v", err, lit())
					}
				}
				if err := d.Set(first); err == nil || lit() {
					t.Fatalf("set after Close: %v, lit %v", err, lit())
				}
			})
		}
	}
}

// What the light's failure means is told; what the line does then, package line tests.
func TestTold(t *testing.T) {
	board := emulated.NewBoard(clock.NewVirtual(time.Unix(0, 0), 0))
	board.AddPin("GPIO17").SetFail(syscall.EBUSY)
	_, err := Open(board, Options{Line: "GPIO17"})
	if !errors.Is(err, syscall.EBUSY) || !strings.Contains(drivers.HintOf(err), "not be seen") {
		t.Errorf("%v", err)
	}
}
