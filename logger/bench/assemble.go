package bench

import (
	"fmt"
	"time"

	"tipoff/calib/chain"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/calibrate"
	"tipoff/logger/config"
	"tipoff/logger/drift"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/sampler"
)

// frameInterval is the time from frame to frame on a bench: ten a second, so
// that glass at 7 °C/s gains less than a degree between two.
const frameInterval = 100 * time.Millisecond

// Parts is what a bench measures with.
type Parts struct {
	Layout  *frame.Layout
	Devices []sampler.Device
	Chains  []chain.Chain
	// Calibrations are the certificates in force; Desk is the channels as
	// calibrations at the bench see them. Both nil where nothing is calibrated.
	Calibrations *Calibrations
	Desk         []calibrate.Channel
	rest         []drift.Input // of each channel
}

// FromConfig opens the devices that bench.toml names. Nothing is touched yet:
// a device that is not there does not stop the start.
func FromConfig(cfg *config.Bench, known []drivers.Driver, ports drivers.Ports, c clock.Clock) (*Parts, error) {
	byName := make(map[string]*drivers.Driver, len(known))
	for i := range known {
		byName[known[i].Name] = &known[i]
	}
	channels := make([]frame.Channel, len(cfg.Channels))
	for i, ch := range cfg.Channels {
		channels[i] = frame.Channel{Name: ch.Name, Role: ch.Role, Driver: ch.Driver, Input: ch.Input, Optional: !ch.Required, Purpose: ch.Purpose}
		if ch.Role == frame.Pressure {
			channels[i].Range = ch.Calibration.Range()
		}
	}
	p := &Parts{Chains: make([]chain.Chain, len(channels)), rest: make([]drift.Input, len(channels))}
	for _, d := range cfg.Devices() {
		drv := byName[d.Config.Driver]
		if drv == nil {
			return nil, fmt.Errorf("opening the bench: no driver %q", d.Config.Driver)
		}
		src, err := drv.Open(ports, c, d.Config)
		if err != nil {
			return nil, fmt.Errorf("channel %q: %w", cfg.Channels[d.Channels[0]].Name, err)
		}
		bus := d.Config.Bus
		if bus == "" { // named by its address alone: nothing is shared with others
			bus = src.String()
		}
		if err := p.add(src, bus, d.Channels, channels, func(i int) chain.Spec {
			return cfg.Channels[i].Calibration
		}, cfg.Mains); err != nil {
			return nil, err
		}
	}
	p.Layout = frame.NewLayout(frameInterval, channels)
	p.certify(cfg, c.Wall)
	return p, nil
}

// FromSource makes a bench of one source whose inputs are named for their
// roles and hold finished values in SI units, such as a recorded trace.
func FromSource(src drivers.Source, driver string, interval time.Duration) (*Parts, error) {
	ins := src.Inputs()
	channels := make([]frame.Channel, len(ins))
	index := make([]int, len(ins))
	for i, in := range ins {
		role, ok := frame.RoleNamed(in.Name)
		if !ok {
			return nil, fmt.Errorf("reading %v: no role is called %q", src, in.Name)
		}
		channels[i] = frame.Channel{Name: in.Name, Role: role, Driver: driver, Input: in.Name}
		index[i] = i
	}
	p := &Parts{Chains: make([]chain.Chain, len(channels)), rest: make([]drift.Input, len(channels))}
	// Values that come with their uncertainty were converted once, by tipoff, and
	// are taken as they are; others may hold wild samples like any reading.
	spec := func(i int) chain.Spec {
		if ins[i].AuxScale != 0 {
			return chain.Spec{Kind: chain.SpecRecorded}
		}
		return chain.Spec{Kind: chain.SpecNone}
	}
	if err := p.add(src, src.String(), index, channels, spec, 50); err != nil {
		return nil, err
	}
	for i := range p.Devices {
		p.Devices[i].Recorded = true
	}
	p.Layout = frame.NewLayout(interval, channels)
	return p, nil
}

// add binds a device's inputs to their channels.
func (p *Parts) add(src drivers.Source, bus string, index []int, channels []frame.Channel, spec func(int) chain.Spec, mains float64) error {
	for i, in := range src.Inputs() {
		ch := &channels[index[i]]
		ch.Device, ch.Integer, ch.HasAux = src.String(), in.Integer, in.AuxScale != 0
		c, err := chain.New(ch.Role.String(), spec(index[i]), config.InputOf(in), mains)
		if err != nil {
			return fmt.Errorf("channel %q: %w", ch.Name, err)
		}
		p.Chains[index[i]], p.rest[index[i]] = c, restOf(spec(index[i]), config.InputOf(in))
	}
	p.Devices = append(p.Devices, sampler.Device{Source: src, Bus: bus, Channels: index})
	return nil
}

// PlantOf is what the envelope needs to know of the bench.
func PlantOf(cfg *config.Bench) envelope.Bench {
	return envelope.Bench{
		Name: cfg.Name, ManifoldVolume: cfg.ManifoldVolume, PumpSpeed: cfg.PumpSpeed,
		OpenCircuit: cfg.OpenCircuit, MaxCurrent: cfg.MaxCurrent, Tables: cfg.Tables,
	}
}
