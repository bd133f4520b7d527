package mcp3208

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// Driver describes the chip for the registry.
func Driver() drivers.Driver {
	d := describe()
	d.Open = open
	return d
}

func describe() drivers.Driver {
	return drivers.Driver{
		Name:    "mcp3208",
		Summary: "12-bit voltage converter with eight inputs, fast enough for mains waveforms (SPI)",
		Bus:     "spi",
		Inputs:  []string{"ch0", "ch1", "ch2", "ch3", "ch4", "ch5", "ch6", "ch7"},
		Options: []drivers.Option{
			{Key: "waveform", Allowed: "yes, no", Default: "yes",
				Doc: "yes for the one input whose mains cycles are to be resolved, no for one that is read ten times a second"},
			{Key: "rate", Allowed: "100/s to 20000/s", Default: "4000/s", Doc: "samples per second of the waveform input"},
			{Key: "reference", Allowed: "2.5 V to 5.5 V", Default: "3.3 V", Doc: "voltage at the chip's reference pin"},
			{Key: "tolerance", Allowed: "a percentage, 0.01 % to 20 %", Default: "2 %", Doc: "tolerance of the reference, ±"},
		},
	}
}

const (
	batchTime = 20 * time.Millisecond
	// maxPackets and maxBytes bound one call to spidev: the size field of its
	// ioctl holds 511 transfers, its buffer 4096 bytes unless the kernel was
	// told otherwise. The rest of the room is for the slow inputs.
	maxPackets = 480
	maxBytes   = 4096
	slowEvery  = 100 * time.Millisecond
	// minClock keeps well above the 10 kHz at which the hold capacitor droops;
	// maxClock is for a supply of 2.7 V (both from memory).
	minClock  = 50_000
	maxClock  = 1_000_000
	slowClock = 500_000
)

func open(p drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	desc := describe()
	d := &Dev{
		ports: p, clock: c, port: cfg.Bus, wave: -1, hz: slowClock,
		link: bus.Link{Device: "MCP3208 on " + cfg.Bus},
	}
	rate := 0.0
	for i, ic := range cfg.Inputs {
		info, hz, err := d.parseInput(desc, ic)
		if err != nil {
			return nil, err
		}
		if hz > 0 {
			if d.wave >= 0 {
				return nil, fmt.Errorf("mcp3208 input %q: only one input of a chip can be a waveform; give the others waveform = \"no\": %w", ic.Input, drivers.BadConfig)
			}
			d.wave, rate = i, hz
		}
		d.info = append(d.info, info)
	}
	if len(d.info) == 0 {
		return nil, fmt.Errorf("mcp3208: no input is used: %w", drivers.BadConfig)
	}
	d.layOut(rate)
	return d, nil
}

// parseInput reads one input; rate is 0 for a slow one.
func (d *Dev) parseInput(desc drivers.Driver, ic drivers.InputConfig) (info drivers.Input, rate float64, err error) {
	ch, err := bus.Input(desc, ic.Input)
	if err != nil {
		return info, 0, err
	}
	d.channels = append(d.channels, byte(ch))
	o, err := bus.NewOptions(desc, ic)
	if err != nil {
		return info, 0, err
	}
	wave, err := o.YesNo("waveform")
	if err != nil {
		return info, 0, err
	}
	interval := slowEvery
	if wave {
		if rate, err = o.Number("rate", "/s"); err != nil {
			return info, 0, err
		}
		if rate < 100 || rate > 20000 {
			return info, 0, o.Wrong("rate")
		}
		interval = bus.Period(rate)
	}
	ref, err := o.Number("reference", "V")
	if err != nil {
		return info, 0, err
	}
	if ref < 2.5 || ref > 5.5 {
		return info, 0, o.Wrong("reference")
	}
	tol, err := o.Number("tolerance", "%")
	if err != nil {
		return info, 0, err
	}
	if tol < 0.01 || tol > 20 {
		return info, 0, o.Wrong("tolerance")
	}
	lsb := ref / 4096
	info = drivers.Input{
		// The transfer function truncates, so a code stands for half a step more.
		Name: ic.Input, Kind: drivers.Voltage, Scale: lsb, Offset: 0.5, Integer: true,
		RawMin: 0, RawMax: 4095, Interval: interval, Waveform: wave,
		Accuracy: drivers.Accuracy{
			Offset: 3 * lsb, Gain: 5.0 / 4096, Nonlinearity: 2 * lsb, Reference: tol / 100,
			Source: "Microchip DS21298E MCP3208-C, electrical characteristics: offset ±3 LSB, gain ±5 LSB, INL ±2 LSB (from memory); reference as configured",
		},
	}
	return info, rate, nil
}

// layOut makes the packets, once; Read only sends them again.
func (d *Dev) layOut(rate float64) {
	waves := 0
	frame := answer
	if d.wave >= 0 {
		for rate*8*float64(frame) < minClock {
			frame++
		}
		d.hz = rate * 8 * float64(frame)
		waves = max(1, int(rate*batchTime.Seconds()))
		waves = min(waves, maxPackets, (maxBytes-8*frame)/frame)
	}
	d.pad, d.waves = frame-answer, waves
	n := waves
	for i := range d.channels {
		if i != d.wave {
			n++
		}
	}
	d.tx, d.rx = make([]byte, n*frame), make([]byte, n*frame)
	d.packets = make([]spi.Packet, n)
	d.input = make([]uint8, n)
	slow := waves
	for i := range d.channels {
		if i == d.wave {
			for k := range waves {
				d.frame(k, i)
			}
			continue
		}
		d.frame(slow, i)
		slow++
	}
	d.nominal = time.Duration(float64(8*frame) / d.hz * 1e9)
}

// frame writes packet k for input i (DS21298E figure 6-1).
func (d *Dev) frame(k, i int) {
	size := d.pad + answer
	w := d.tx[k*size : (k+1)*size]
	ch := d.channels[i]
	w[d.pad], w[d.pad+1] = 0x06|ch>>2, ch<<6
	d.packets[k] = spi.Packet{W: w, R: d.rx[k*size : (k+1)*size]}
	d.input[k] = uint8(i)
}

func (d *Dev) frequency() physic.Frequency {
	return physic.Frequency(min(d.hz, maxClock)) * physic.Hertz
}
