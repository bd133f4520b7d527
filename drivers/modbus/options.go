package modbus

import (
	"fmt"
	"net"
	"slices"
	"strconv"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
	"tipoff/drivers/serialport"
)

// defaultMode is what most meters are delivered with (common practice), although
// the serial line specification names 19200 8E1 as the default.
var defaultMode = serialport.Mode{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}

const (
	rtuName = "modbus-rtu"
	tcpName = "modbus-tcp"
)

// RTU describes Modbus RTU on a serial port for the registry. All devices that
// one such Driver opens on a port share it.
func RTU() drivers.Driver { return RTUOver(serialport.Open) }

// TCP describes Modbus TCP for the registry.
func TCP() drivers.Driver { return TCPOver(nil) }

// RTUOver is RTU over lines that open gives.
func RTUOver(open serialport.Opener) drivers.Driver { return driver(false, open) }

// TCPOver is TCP over connections that open gives; nil dials.
func TCPOver(open serialport.Opener) drivers.Driver { return driver(true, open) }

// driver makes a Driver that opens its ports with open; nil dials.
func driver(tcp bool, open serialport.Opener) drivers.Driver {
	p := &pool{lines: map[string]*line{}, open: open}
	d := describe(tcp)
	d.Open = func(_ drivers.Ports, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
		return openDev(p, describe(tcp), tcp, c, cfg)
	}
	return d
}

func describe(tcp bool) drivers.Driver {
	d := drivers.Driver{
		Name:           rtuName,
		Summary:        "registers of a meter or transmitter by Modbus RTU on a serial port; `address` is the unit number, 1 to 247; read only",
		Bus:            "serial",
		DefaultAddress: "1",
		Options: []drivers.Option{
			{Key: "register", Allowed: "0 to 65535, counted from 0", Doc: "first register of the number; must be given"},
			{Key: "function", Allowed: "holding, input", Default: "holding", Doc: "function 3 (holding registers) or 4 (input registers)"},
			{Key: "type", Allowed: formats(), Default: "u16", Doc: "unsigned, signed or floating-point number, and its bits"},
			{Key: "word_order", Allowed: "big, little", Default: "big", Doc: "which register of a longer number comes first; little is often called swapped"},
			{Key: "byte_order", Allowed: "big, little", Default: "big", Doc: "which byte of a register comes first; little is against the specification, and some instruments do it"},
			{Key: "scale", Allowed: "a factor, not 0", Default: "1", Doc: "what one count is in `unit`"},
			{Key: "unit", Allowed: "a unit such as Torr, °C, mA, V", Default: "", Doc: "unit of the number; V and mV are calibrated like a converter's volts"},
			{Key: "period", Allowed: "20 ms to 10 s", Default: "250 ms", Doc: "time between readings"},
			{Key: "timeout", Allowed: "20 ms to 1 s", Default: "200 ms", Doc: "how long the device may take to answer"},
		},
	}
	if tcp {
		d.Name, d.Bus = tcpName, "network"
		d.Summary = "registers of a meter, transmitter or gateway by Modbus TCP; `address` is the unit number, 0 to 255; read only"
		return d
	}
	d.Options = append(d.Options, serialport.Options(defaultMode)...)
	return d
}

func openDev(p *pool, desc drivers.Driver, tcp bool, c clock.Clock, cfg drivers.Config) (drivers.Source, error) {
	if len(cfg.Inputs) == 0 {
		return nil, fmt.Errorf("%s: no input is used: %w", desc.Name, drivers.BadConfig)
	}
	if cfg.Bus == "" {
		return nil, fmt.Errorf("%s: bus = %q, allowed is: a port or address: %w", desc.Name, cfg.Bus, drivers.BadConfig)
	}
	unit, err := unitNumber(desc.Name, cfg.Address, tcp)
	if err != nil {
		return nil, err
	}
	if tcp {
		if _, port, err := net.SplitHostPort(cfg.Bus); err != nil || port == "" {
			return nil, fmt.Errorf("%s: bus = %q, allowed is: an address and port such as 192.0.2.7:502: %w", desc.Name, cfg.Bus, drivers.BadConfig)
		}
	}
	d := &Dev{clock: c, pool: p, name: fmt.Sprintf("Modbus unit %d on %s", unit, cfg.Bus), wait: backoffMin}
	var mode serialport.Mode
	for i, ic := range cfg.Inputs {
		o, err := bus.NewOptions(desc, ic)
		if err != nil {
			return nil, err
		}
		in, info, err := parseInput(o, ic.Input, unit)
		if err != nil {
			return nil, err
		}
		timeout, err := serialport.Duration(o, "timeout", 20*time.Millisecond, time.Second)
		if err != nil {
			return nil, err
		}
		d.timeout = max(d.timeout, timeout)
		if !tcp {
			m, err := serialport.ReadMode(o)
			if err != nil {
				return nil, err
			}
			if m.DataBits != 8 {
				return nil, fmt.Errorf("%s: option data_bits = 7, allowed is: 8, as RTU needs whole bytes: %w", desc.Name, drivers.BadConfig)
			}
			if i > 0 {
				if err := serialport.Same(desc.Name, "baud", mode.String(), m.String()); err != nil {
					return nil, err
				}
			}
			mode = m
		}
		d.in, d.info = append(d.in, in), append(d.info, info)
	}
	if d.line, err = p.take(desc.Name, cfg.Bus, tcp, mode); err != nil {
		return nil, err
	}
	return d, nil
}

func unitNumber(driver, text string, tcp bool) (byte, error) {
	if text == "" {
		text = "1"
	}
	lo, hi := uint64(1), uint64(247)
	if tcp {
		lo, hi = 0, 255
	}
	n, err := strconv.ParseUint(text, 0, 8)
	if err != nil || n < lo || n > hi {
		return 0, fmt.Errorf("%s: address = %q, allowed is: a unit number from %d to %d: %w", driver, text, lo, hi, drivers.BadConfig)
	}
	return byte(n), nil
}

// littleEnd tells whether the low part of something comes first.
func littleEnd(o *bus.Options, key string) (bool, error) {
	switch o.Word(key) {
	case "big":
		return false, nil
	case "little", "swapped":
		return true, nil
	}
	return false, o.Wrong(key)
}

func parseInput(o *bus.Options, name string, unit byte) (input, drivers.Input, error) {
	in := input{request: request{unit: unit, function: readHolding}}
	var info drivers.Input
	switch o.Word("function") {
	case "holding", "3":
	case "input", "4":
		in.function = readInput
	default:
		return in, info, o.Wrong("function")
	}
	k := slices.Index(formatNames[:], o.Word("type"))
	if k < 0 {
		return in, info, o.Wrong("type")
	}
	in.format = format(k)
	in.count = in.format.registers()
	reg, err := serialport.Whole(o, "register", 0, 65536-int(in.count))
	if err != nil {
		return in, info, err
	}
	in.register = uint16(reg)
	if in.order.lowFirst, err = littleEnd(o, "word_order"); err != nil {
		return in, info, err
	}
	if in.order.swapped, err = littleEnd(o, "byte_order"); err != nil {
		return in, info, err
	}
	scale, err := serialport.Scale(o, "scale")
	if err != nil {
		return in, info, err
	}
	if in.period, err = serialport.Duration(o, "period", 20*time.Millisecond, 10*time.Second); err != nil {
		return in, info, err
	}
	info = serialport.Number(o.Word("unit"), scale)
	info.Name, info.Interval = name, in.period
	info.Integer = in.format.whole()
	info.RawMin, info.RawMax = in.format.rails()
	info.Accuracy.Source = "the instrument's own data sheet: state it in the channel's calibration"
	return in, info, nil
}
