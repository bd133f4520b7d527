// Command shop is what surrounds the daemon in the guest: it serves emulated
// sensor chips through the kernel as /dev/i2c-1, /dev/spidev0.0 and
// /dev/spidev0.1, lets a person work the plant that the chips measure, runs the
// daemon as a service manager would, records what the sound card plays, and
// acknowledges the alarm on the daemon's page. It keeps what was true; the
// judge on the host compares.
//
// It is built for the guest by ../run and does nothing useful elsewhere.
package main

import (
	"bufio"
	"fmt"
	"log"
	"os"
	"strings"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
)

// Lines of the PL061 on which the truth is told to the witness outside; the
// buzzer's is in bench.toml.
const (
	gpioChip = "/dev/gpiochip0"
	thumb    = 0 // high for a moment when the alarm is acknowledged
	overheat = 1 // high while the glass is in truth at its ceiling or over it
)

const outDir = "/out"

func main() {
	log.SetFlags(0)
	if err := run(); err != nil {
		log.Fatal("shop: ", err)
	}
}

// shop is the plant, the person and the lines to the witness.
type shop struct {
	clock  clock.Clock
	plant  *plant.Plant
	person person
	lines  map[uint32]line // empty where the board has no GPIO
	log    *log.Logger     // events with the time of the guest's clock
}

func run() error {
	events, err := os.Create(outDir + "/events.txt")
	if err != nil {
		return err
	}
	defer events.Close()
	s := &shop{clock: clock.System{}, lines: map[uint32]line{}, log: log.New(events, "", 0)}

	cfg := plant.Default()
	s.plant = plant.New(cfg, plant.Hands(s.person.watch))
	board := emulated.NewBoard(s.clock)
	w := plant.DefaultWiring()
	w.Clock, w.Zero = s.clock, s.clock.Now()
	chips := s.plant.Wire(board, w)
	bus, err := board.I2C(w.I2C)
	if err != nil {
		return err
	}
	if _, err := os.Stat(gpioChip); err == nil {
		for _, n := range []uint32{thumb, overheat} {
			if s.lines[n], err = openLine(gpioChip, n); err != nil {
				return err
			}
		}
	}
	failed := make(chan error, 4)
	serveAs := func(path string, open func() handle) {
		go func() { failed <- serve(strings.TrimPrefix(path, "/dev/"), open) }()
	}
	serveAs(w.I2C, func() handle { return &i2cHandle{bus: bus} })
	for _, dev := range []*spiDevice{newSPI(w.TC, chips.Thermocouple), newSPI(w.CT, chips.Current)} {
		serveAs(dev.port, func() handle { return &spiHandle{dev} })
	}
	go func() { failed <- s.truth(w.Zero, cfg.Tube.Ceiling) }()

	done := make(chan error, 1)
	go func() { done <- s.day([]string{w.I2C, w.TC, w.CT}) }()
	select {
	case err := <-failed:
		return err
	case err := <-done:
		return err
	}
}

// event writes down what happened, with the guest's clock.
func (s *shop) event(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	s.log.Printf("%.3f %s", s.clock.Now().Seconds(), text)
	log.Printf("%8.3f %s", s.clock.Now().Seconds(), text)
}

// truth keeps the plant going and writes down ten times a second what was true.
func (s *shop) truth(zero time.Duration, ceiling float64) error {
	f, err := os.Create(outDir + "/truth.csv")
	if err != nil {
		return err
	}
	out := bufio.NewWriter(f)
	fmt.Fprintln(out, "s,pressure_pa,glass_c,current_a,phase")
	over := false
	for i := 0; ; i++ {
		now := s.clock.Now()
		s.plant.Advance(now - zero)
		st := s.plant.State()
		if o := st.Wall >= ceiling; o != over {
			over = o
			if l, ok := s.lines[overheat]; ok {
				if err := l.set(over); err != nil {
					return fmt.Errorf("telling the witness of the overheat: %w", err)
				}
			}
			s.event("overheat %v", over)
		}
		if i%2 == 0 {
			fmt.Fprintf(out, "%.3f,%.5g,%.3f,%.5g,%s\n", (st.At + zero).Seconds(), st.ManifoldPressure, st.Wall, st.Current, st.Phase)
		}
		if i%50 == 0 {
			if err := out.Flush(); err != nil {
				return err
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
}
