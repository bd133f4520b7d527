package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"tipoff/calib/strict"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/frame"
)

// parser reads the channels.
type parser struct {
	bench  *Bench
	known  []drivers.Driver
	tables []*strict.Table // of each channel, as in the file
	counts map[frame.Role]int
}

func (p *parser) driver(name string) *drivers.Driver {
	for i := range p.known {
		if p.known[i].Name == name {
			return &p.known[i]
		}
	}
	return nil
}

// channel reads one [[channel]]. After a mistake the channel is incomplete; the
// caller learns of it at the end.
func (p *parser) channel(t *strict.Table) {
	c := Channel{Name: name(t), Line: t.Line(), Options: map[string]string{}}
	for _, o := range p.bench.Channels {
		if c.Name != "" && o.Name == c.Name {
			t.WrongValue("name", fmt.Sprintf("a name of its own (the channel on line %d has this one)", o.Line))
		}
	}
	c.Role, _ = frame.RoleNamed(t.String("role", roleNames()...))
	p.counts[c.Role]++
	if most, ok := roleMax[c.Role]; ok && p.counts[c.Role] > most {
		t.Wrong("role", fmt.Sprintf("%s channel number %d", c.Role, p.counts[c.Role]), fmt.Sprintf("at most %d", most))
	}
	t.Known("purpose")
	if c.Role == frame.Contact {
		// The empty word is what a missing key means, and no value to write.
		if t.Has("purpose") {
			c.Purpose, _ = frame.PurposeNamed(t.String("purpose", "contactor", "stopcock", "acknowledge", "torch"))
		}
		for _, o := range p.bench.Channels {
			if o.Purpose == c.Purpose && c.Purpose != frame.NoPurpose && c.Purpose != frame.AcknowledgeButton {
				t.Wrong("purpose", fmt.Sprintf("the purpose that channel %s on line %d has", o.Name, o.Line), "one contact of this purpose; leave it out for others")
			}
		}
	} else if t.Has("purpose") {
		t.Wrong("purpose", "a purpose of a "+c.Role.String()+" channel", "only for role = \"contact\"")
	}
	c.Required = t.OptBool("required", c.Role == frame.Pressure || c.Role == frame.Glass || c.Role == frame.Current)
	var names []string
	for _, d := range p.known {
		names = append(names, d.Name)
	}
	c.Driver = t.String("driver", names...)
	t.Known("bus", "address", "input")
	if d := p.driver(c.Driver); d != nil {
		p.place(t, d, &c)
		for _, o := range d.Options {
			option(t, o.Key, c.Options)
		}
	}
	p.clash(t, &c)
	c.Calibration = calibration(t, c.Role)
	p.bench.Channels = append(p.bench.Channels, c)
}

func roleNames() []string {
	var names []string
	for r := frame.Role(1); r <= frame.Contact; r++ {
		names = append(names, r.String())
	}
	return names
}

// place reads where the channel's device is and which input it wants.
func (p *parser) place(t *strict.Table, d *drivers.Driver, c *Channel) {
	c.Bus = t.OptString("bus", "")
	if example := busExample(d.Bus); c.Bus == "" && example != "" {
		t.WrongValue("bus", example)
	}
	c.Address = t.OptString("address", "")
	if c.Address == "" {
		c.Address = d.DefaultAddress
	}
	if n, err := strconv.ParseUint(c.Address, 0, 7); err == nil && d.Bus == "i2c" {
		c.Address = fmt.Sprintf("0x%02x", n) // so that 0x4A, 0x4a and 74 are one device
	}
	switch {
	case len(d.Inputs) == 0:
		c.Input = t.OptString("input", "")
	case len(d.Inputs) == 1 && !t.Has("input"):
		c.Input = d.Inputs[0]
	case len(d.Inputs) == 1 && d.Inputs[0] == "":
		t.WrongValue("input", d.Name+" has one input only: leave the key out")
	default:
		c.Input = t.String("input", d.Inputs...)
	}
}

func busExample(kind string) string {
	switch kind {
	case "i2c":
		return `an I²C bus such as "/dev/i2c-1"`
	case "spi":
		return `an SPI device such as "/dev/spidev0.0"`
	case "serial":
		return `a serial port such as "/dev/serial/by-id/…"`
	case "network":
		return `an address and port such as "192.0.2.7:502"`
	case "file":
		return "the path of a file"
	}
	return ""
}

// option reads a driver's option. Its value is the driver's to judge.
func option(t *strict.Table, key string, into map[string]string) {
	s, ok := t.Scalar(key)
	if !ok {
		return
	}
	switch s {
	case "true":
		s = "yes"
	case "false":
		s = "no"
	}
	into[key] = s
}

// clash finds an input or a place that an earlier channel has taken.
func (p *parser) clash(t *strict.Table, c *Channel) {
	if c.Driver == "" || c.Bus == "" && c.Address == "" {
		return
	}
	for _, o := range p.bench.Channels {
		if o.Bus != c.Bus || o.Address != c.Address {
			continue
		}
		switch {
		case o.Driver != c.Driver:
			t.Wrong("driver", fmt.Sprintf("%s where channel %s has %s", c.Driver, o.Name, o.Driver), "one driver for each place: another bus or address")
		case o.Input == c.Input:
			key := "input"
			if c.Input == "" {
				key = "bus"
			}
			t.Wrong(key, fmt.Sprintf("the input that channel %s on line %d reads", o.Name, o.Line), "an input of its own")
		}
	}
}

// tryDevices opens each device, channel after channel, to hear what its driver
// says to addresses and options; the first channel with which it complains is
// the one to blame. Then it tries each calibration on what the input gives.
func (p *parser) tryDevices() {
	for _, dev := range p.bench.Devices() {
		d := p.driver(dev.Config.Driver)
		if d == nil || d.Open == nil {
			continue
		}
		for n := 1; n <= len(dev.Channels); n++ {
			cfg := dev.Config
			cfg.Inputs = cfg.Inputs[:n]
			i := dev.Channels[n-1]
			in, err := try(d, cfg)
			if errors.Is(err, drivers.BadConfig) {
				blame(p.tables[i], d, err)
				break
			}
			if err == nil {
				p.tryCalibration(i, in)
			}
		}
	}
}

// try opens a device that is not there and gives its last input. There are no
// ports, because drivers.Driver.Open promises not to use them yet.
func try(d *drivers.Driver, cfg drivers.Config) (drivers.Input, error) {
	s, err := d.Open(nil, clock.NewVirtual(epoch, 0), cfg)
	if err != nil {
		return drivers.Input{}, err
	}
	all := s.Inputs()
	if err := s.Close(); err != nil {
		return drivers.Input{}, err
	}
	if len(all) != len(cfg.Inputs) {
		return drivers.Input{}, fmt.Errorf("%v has %d inputs for %d channels: %w", s, len(all), len(cfg.Inputs), drivers.BadConfig)
	}
	return all[len(all)-1], nil
}

// blame finds the key that a driver's complaint is about, as far as its words
// tell, and notes it with the key's line.
func blame(t *strict.Table, d *drivers.Driver, err error) {
	text := strings.TrimSuffix(err.Error(), ": "+drivers.BadConfig.Error())
	_, allowed, ok := strings.Cut(text, "allowed is: ")
	if !ok {
		_, allowed, ok = strings.Cut(text, "allowed are: ")
	}
	keys := []string{"address", "bus"}
	for _, o := range d.Options {
		keys = append(keys, o.Key)
	}
	for _, k := range keys {
		if ok && t.Has(k) && strings.Contains(text, k+" = ") {
			t.WrongValue(k, allowed)
			return
		}
	}
	t.Wrong("", "a setting that the driver refuses", text)
}
