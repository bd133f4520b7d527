package main

import (
	"sync"
	"time"

	"tipoff/drivers/plant"
)

// task is what the person at the bench is doing now.
type task uint8

const (
	rest    task = iota // manifold open to the room
	pump                // evacuate
	bombard             // let some air in and heat, come what may
	cool                // foot off the switch, pump and fan on
)

// Pressures and current of a hot but usual bombardment.
const (
	airAim = 2.0 * plant.Torr
	amps   = 0.95
)

// person works the plant by hand, quicker than anybody should.
type person struct {
	mu   sync.Mutex
	task task
	open float64 // main stopcock
	air  bool    // enough air has been let in
}

func (p *person) does(t task) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.task, p.open, p.air = t, 0, false
}

// watch is a plant.Hands.
func (p *person) watch(_ time.Duration, see plant.Sight, c *plant.Controls) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch p.task {
	case rest:
		c.Phase, c.Vent, c.Main, c.Bombard = "idle", 1, 0, false
	case pump:
		p.open = min(1, p.open+0.02)
		c.Phase, c.Vent, c.Main, c.Bombard = "evacuate", 0, p.open, false
	case bombard:
		p.bombard(see, c)
	case cool:
		c.Phase, c.Bombard, c.Air, c.Main, c.Fan = "cool", false, 0, 1, true
	}
}

func (p *person) bombard(see plant.Sight, c *plant.Controls) {
	c.Phase, c.Main, c.Vent, c.Fan = "bombard", 0, 0, false
	if !p.air {
		c.Air = min(1, max(0.06, 3*(airAim-see.Gauge)/airAim))
		p.air = see.Gauge >= 0.98*airAim
		return
	}
	c.Air, c.Bombard, c.Choke = 0, true, amps
	if see.Gauge > 1.4*airAim {
		c.Main = 0.08 // gas comes off the hot glass
	}
	if !see.Lit && see.Gauge < 0.5*airAim {
		p.air = false
	}
}
