package probe

import (
	"context"
	"fmt"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/bus"
	"tipoff/drivers/max31855"
	"tipoff/drivers/max31856"
	"tipoff/drivers/mcp3208"
)

// selects are the chips that are tried on a chip select, in this order: the
// surest and least intrusive first.
var selects = []struct {
	driver string
	mode   spi.Mode
	clock  physic.Frequency
	known  func(spi.Conn) (bus.Recognised, error)
}{
	{"max31856", spi.Mode1, physic.MegaHertz, max31856.Recognise},
	{"max31855", spi.Mode0, physic.MegaHertz, max31855.Recognise},
	{"mcp3208", spi.Mode0, 500 * physic.KiloHertz, mcp3208.Recognise},
}

// spi looks at all chip selects.
func (l *look) spi(ctx context.Context) error {
	paths := l.glob("dev/spidev[0-9]*")
	if len(paths) == 0 && len(l.opt.Only) == 0 {
		l.noSPI()
	}
	for _, p := range paths {
		if err := ctx.Err(); err != nil {
			return err
		}
		name := "/" + p
		if yes, _ := l.wanted(name); !yes {
			continue
		}
		l.report.SPI = append(l.report.SPI, l.selected(name))
	}
	return nil
}

// selected tries each chip on one chip select.
func (l *look) selected(path string) SPIPort {
	port := SPIPort{Path: path, Silent: true}
	for _, s := range selects {
		got, err := l.try(path, s.mode, s.clock, s.known)
		if err != nil {
			port.Silent = false
			port.Why = l.refused(path, "spi", err)
			return port
		}
		if got.Chip != "" {
			port.Silent = false
			port.Answer = Answer{Chip: got.Chip, Confidence: got.Confidence, Evidence: got.Evidence}
			l.report.Chips = append(l.report.Chips, Chip{Driver: s.driver, Name: got.Chip, Bus: path, Confidence: got.Confidence})
			return port
		}
		port.Silent = port.Silent && got.Silent
		port.Answer.Evidence = got.Evidence
	}
	if port.Silent {
		port.Answer.Evidence = "nothing answers: " + port.Answer.Evidence
	} else {
		port.Answer.Evidence = "something answers, but none of MAX31856, MAX31855, MCP3208: " + port.Answer.Evidence
	}
	return port
}

// try opens the port afresh, since it can be connected in one mode only.
func (l *look) try(path string, mode spi.Mode, clock physic.Frequency, known func(spi.Conn) (bus.Recognised, error)) (bus.Recognised, error) {
	p, err := l.Ports.SPI(path)
	if err != nil {
		return bus.Recognised{}, err
	}
	defer p.Close()
	c, err := p.Connect(clock, mode, 8)
	if err != nil {
		return bus.Recognised{}, fmt.Errorf("setting up the port: %w", err)
	}
	return known(c)
}
