package drivertest

import (
	"errors"
	"testing"
	"time"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spitest"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// tape is a computer whose one bus plays back what is written down of a data
// sheet: each transfer must be the next one of the list.
type tape struct {
	i2c *i2ctest.Playback
	spi *packets
	pin *levels
}

func (p tape) I2C(string) (i2c.BusCloser, error) { return p.i2c, nil }
func (p tape) SPI(string) (spi.PortCloser, error) {
	return p.spi, nil
}

// packets is periph's playback with TxPackets, which that lacks: each packet is
// a transfer.
type packets struct {
	spitest.Playback
	mode spi.Mode
}

func (p *packets) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	p.mode = mode
	c, err := p.Playback.Connect(f, mode, bits)
	return packetConn{c}, err
}

type packetConn struct{ spi.Conn }

func (c packetConn) TxPackets(ps []spi.Packet) error {
	for _, p := range ps {
		if err := c.Tx(p.W, p.R); err != nil {
			return err
		}
	}
	return nil
}

// PlayI2C lets a driver start, read count samples and close on a bus that plays
// ops back. It fails unless the driver does these transfers and no others.
func PlayI2C(t *testing.T, d drivers.Driver, cfg drivers.Config, ops []i2ctest.IO, count int) []drivers.Sample {
	t.Helper()
	return play(t, d, cfg, tape{i2c: &i2ctest.Playback{Ops: ops, DontPanic: true}}, nil, count)
}

// PlaySPI is PlayI2C on a port, in the given mode.
func PlaySPI(t *testing.T, d drivers.Driver, cfg drivers.Config, mode spi.Mode, ops []conntest.IO, count int) []drivers.Sample {
	t.Helper()
	p := &packets{Playback: spitest.Playback{Playback: conntest.Playback{Ops: ops, DontPanic: true}}}
	got := play(t, d, cfg, tape{spi: p}, nil, count)
	if p.mode != mode {
		t.Errorf("SPI mode %v, want %v", p.mode, mode)
	}
	return got
}

func play(t *testing.T, d drivers.Driver, cfg drivers.Config, ports tape, before func(clock.Clock), count int) (got []drivers.Sample) {
	t.Helper()
	OnClock(func(c *clock.Virtual) {
		if before != nil {
			before(c)
		}
		src, err := d.Open(ports, c, cfg)
		if err == nil {
			err = src.Start(ctx)
		}
		dst := make([]drivers.Sample, 512)
		for err == nil && len(got) < count {
			var n int
			var next time.Duration
			n, next, err = src.Read(ctx, dst)
			got = append(got, dst[:n]...)
			if c.Now() > time.Minute {
				err = errors.New("no more samples")
			}
			_ = c.SleepUntil(ctx, max(next, c.Now()+time.Microsecond))
		}
		if err != nil {
			t.Error(err)
		}
		if src != nil {
			if err := src.Close(); err != nil { // tells of transfers that are left
				t.Error(err)
			}
		}
	})
	if len(got) < count && !t.Failed() {
		t.Errorf("%d samples, want %d", len(got), count)
	}
	return got[:min(len(got), count)]
}
