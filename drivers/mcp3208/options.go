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
			{Key: "stagger", Allowed: "yes, no", Default: "yes",
				Doc: "yes moves the samples by part of their spacing each 10 ms, so that the edges of a phase-cut current never keep their place between two samples; of a waveform of 2000/s to 15600/s"},
			{Key: "reference", Allowed: "2.5 V to 5.5 V", Default: "3.3 V", Doc: "voltage at the chip's reference pin"},
			{Key: "tolerance", Allowed: "a percentage, 0.01 % to 20 %", Default: "2 %", Doc: "tolerance of the reference, ±"},
		},
	}
}

const (
	batchTime = 20 * time.Millisecond
	// blocks is how many times in a batch the samples are moved. Frames of fine
	// bytes are moved by a 96th of their spacing or a multiple, of least by a 64th;
	// with shorter ones the time to the next sample could be so long as if one were
	// missing, 1.8 spacings. leastStagger is the rate from which: with fewer samples
	// edges are not placed, and uneven ones would only make a smooth wave's sums worse.
	blocks       = 2
	fine         = 12
	least        = 8
	leastStagger = 2000
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
		clock: c, wave: -1, hz: slowClock,
		link: bus.SPI{Link: bus.Link{Device: "MCP3208 on " + cfg.Bus}, Ports: p, Name: cfg.Bus, Mode: spi.Mode0},
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
	d.size(rate, d.stagger && rate >= leastStagger)
	d.link.Speed = d.frequency()
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
	hz, err := o.Number("rate", "/s")
	if err != nil || hz < 100 || hz > 20000 {
		return info, 0, o.Wrong("rate")
	}
	stagger, err := o.YesNo("stagger")
	if err != nil {
		return info, 0, err
	}
	interval := slowEvery
	if wave {
		rate, interval, d.stagger = hz, bus.Period(hz), stagger
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

// size makes room for a batch, once, and lays out the first.
func (d *Dev) size(rate float64, stagger bool) {
	for i := range d.channels {
		if i != d.wave {
			d.slow = append(d.slow, uint8(i))
		}
	}
	waves := 0
	d.frame = answer
	if d.wave >= 0 {
		waves = min(max(1, int(rate*batchTime.Seconds())), maxPackets)
		for rate*8*float64(d.frame) < minClock {
			d.frame++
		}
		room := min((maxBytes-blocks*fine)/(waves+8), int(maxClock/(8*rate)))
		if stagger = stagger && room >= least; stagger {
			d.frame = max(d.frame, min(room, fine))
		} else if len(d.slow) > 0 && room >= 2*answer {
			d.frame = max(d.frame, 2*answer)
		}
		d.hz = rate * 8 * float64(d.frame)
		waves = min(waves, (maxBytes-8*d.frame)/d.frame)
	}
	d.waves, d.stagger = waves, stagger
	d.byte = 8e9 / d.hz
	n := waves + len(d.slow)
	d.tx, d.rx = make([]byte, n*d.frame+blocks*fine), make([]byte, n*d.frame+blocks*fine)
	d.packets, d.slots = make([]spi.Packet, 0, n), make([]slot, 0, n)
	d.layOut(true)
}

// layOut makes the packets of a batch, with the slow inputs or without. Idle bits
// before the first sample of a block move it and all after it: the chip passes over
// zeros up to the start bit. Slow inputs are converted in what is idle between two
// samples of the waveform, so that those keep their spacing; only where there is no
// room they come after them.
func (d *Dev) layOut(slow bool) {
	clear(d.tx)
	d.packets, d.slots, d.bytes = d.packets[:0], d.slots[:0], 0
	own := answer // bytes
	if d.stagger {
		own++ // a conversion that begins with any bit ends in a sixth
	}
	var rest []uint8
	if slow {
		rest = d.slow
	}
	for k := range d.waves {
		size := d.frame
		if d.stagger && (k == 0 || blocks*k/d.waves != blocks*(k-1)/d.waves) {
			d.bit += d.move()
			size += d.bit >> 3
			d.bit &= 7
		} else {
			for ; len(rest) > 0 && size-answer >= own; rest = rest[1:] {
				d.put(answer, answer, rest[0], 0)
				size -= answer
			}
		}
		d.put(size, own, uint8(d.wave), d.bit)
	}
	for _, input := range rest {
		d.put(d.frame, answer, input, 0)
	}
}

// put adds a packet of size bytes, the last own of which hold a conversion that
// begins with bit shift.
func (d *Dev) put(size, own int, input uint8, shift int) {
	end := d.bytes + size
	w, r := d.tx[d.bytes:end:end], d.rx[d.bytes:end:end]
	d.packets = append(d.packets, spi.Packet{W: w, R: r})
	d.slots = append(d.slots, slot{input, uint8(shift), size - own})
	d.bytes = end
	ch := d.channels[input]
	f := (uint32(0x06|ch>>2)<<16 | uint32(ch<<6)<<8) >> shift // DS21298E figure 6-1
	w = w[size-own:]
	w[0], w[1], w[2] = byte(f>>16), byte(f>>8), byte(f)
}

// move is by how many bits the next block begins later than the spacing says: up to
// half a spacing either way where frames are long enough. The places of the blocks
// within a spacing are frac(748·b²/1009): no mains frequency makes the edges of many
// half cycles fall at one place between samples, as some do for any steady step. Of a
// prime the squares are 505 places, so that edges locked to the blocks see as many; and
// of all factors 748 leaves an edge the least room among 20 in a row (28 % less squared
// than places by chance).
func (d *Dev) move() int {
	const c, of = 748, 1009
	n := 8 * d.frame
	place := n * (c * (d.block * d.block) % of) / of
	d.block = (d.block + 1) % of
	by := n*(c*(d.block*d.block)%of)/of - place
	shortest := 8 * max(-d.frame/2, answer+1-d.frame)
	if by < shortest {
		by += n
	}
	if by >= shortest+n {
		by -= n
	}
	return by
}

func (d *Dev) frequency() physic.Frequency {
	return physic.Frequency(min(d.hz, maxClock)) * physic.Hertz
}
