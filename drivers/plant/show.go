package plant

import (
	"fmt"
	"time"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
)

// Tubes are the tubes of the demo's job, by the name of their card (the same
// numbers as in deploy/petrel-pier, which a test compares).
func Tubes() map[string]Tube {
	all := make(map[string]Tube)
	for _, t := range job() {
		all[t.Card] = t
	}
	return all
}

func job() []Tube {
	make1 := func(n int, od, wall, length float64) Tube {
		t := DefaultTube()
		t.Card = fmt.Sprintf("PP-%02d", n)
		t.Outside, t.Bore, t.Length = od*1e-3, (od-2*wall)*1e-3, length
		return t
	}
	p1 := make1(1, 15, 1.1, 1.8)

	p2 := make1(2, 15, 1.1, 2.1)

	p3 := make1(3, 15, 1.1, 1.2)

	p4 := make1(4, 12, 1.0, 1.5) // the gull
	p4.Coating, p4.Gas = "phosphor", "argon"
	p4.Layers, p4.Binder = 9, 0.25
	p4.ShellMass, p4.ShellArea, p4.Carbonate, p4.Rating = 4e-3, 13e-4, 9e-6, 0.030
	p4.Fill, p4.Target, p4.Ceiling = 10*Torr, 215, 245

	p5 := make1(5, 18, 1.2, 2.0) // the border
	p5.ShellMass, p5.ShellArea, p5.Carbonate, p5.Rating = 7e-3, 24e-4, 18e-6, 0.060
	p5.Fill = 7.5 * Torr

	p6 := make1(6, 10, 1.0, 0.45)
	p6.ShellMass, p6.ShellArea, p6.Carbonate, p6.Rating = 3e-3, 10e-4, 6e-6, 0.030
	p6.Fill = 14 * Torr

	p7 := make1(7, 10, 1.0, 0.6)
	p7.Coating = "coloured"
	p7.ShellMass, p7.ShellArea, p7.Carbonate, p7.Rating = 3e-3, 10e-4, 6e-6, 0.030
	p7.Fill, p7.Target, p7.Ceiling = 14*Torr, 220, 250

	return []Tube{p1, p2, p3, p4, p5, p6, p7}
}

// styles is how the demo's tubes are processed in the first round; later rounds
// turn it by one.
var styles = [...]Style{Careful, SkipsLeakTest, Hurried, TwoPreheats, LosesArc, Flushes, Careful}

// Show is the demo: the tubes of the job, one after the other, for ever.
type Show struct {
	*Plant

	// OnHang is called with the card's name when a tube is hung, the first one
	// included (at the first step). It runs inside the plant's step: it must not
	// call the plant.
	OnHang func(card string)

	tubes  []Tube
	seed   uint64
	n      int // tubes hung so far
	script *Script
	clock  clock.Clock
	zero   time.Duration // on clock
}

// NewShow starts the demo at the clock's present time, which is the plant's
// time 0.
func NewShow(c clock.Clock, seed uint64) *Show {
	s := &Show{tubes: job(), seed: seed, clock: c, zero: c.Now()}
	cfg := Default()
	cfg.Seed = seed
	cfg.Tube = s.tubes[0]
	s.Plant = New(cfg, s)
	return s
}

// NextCard is the card of the tube that is hung next.
func (s *Show) NextCard() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tubes[s.n%len(s.tubes)].Card
}

// Style is how the n-th tube of the show is processed, from 0.
func (s *Show) Style(n int) Style {
	return styles[(n+n/len(s.tubes))%len(styles)]
}

// Wire is [Plant.Wire] on the show's clock.
func (s *Show) Wire(b *emulated.Board, w Wiring) *Wired {
	w.Clock, w.Zero = s.clock, s.zero
	return s.Plant.Wire(b, w)
}

// wear lets the pump oil grow tired from run to run, until it is changed after
// three rounds: the slow decline that nobody notices (trade.md §6).
func (s *Show) wear() {
	s.bench.Ultimate = Default().Bench.Ultimate * (1 + 0.05*float64(s.n%(3*len(s.tubes))))
}

// Watch implements [Operator].
func (s *Show) Watch(at time.Duration, see Sight, hands *Controls) {
	if s.script == nil || s.script.Done() {
		t := s.tubes[s.n%len(s.tubes)]
		seed := s.seed + uint64(s.n)*7919
		s.script = NewScript(HabitFor(t, s.Style(s.n), seed), seed)
		if s.n%10 == 6 {
			t.Leak = 1.2e-5 // a bad splice: some 10 micron a minute when shut
		}
		hands.Hang = &t
		s.wear()
		s.n++
		if s.OnHang != nil {
			s.OnHang(t.Card)
		}
	}
	s.script.Watch(at, see, hands)
}
