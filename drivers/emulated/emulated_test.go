package emulated

import (
	"context"
	"encoding/binary"
	"errors"
	"io/fs"
	"math"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
)

func constant(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }

// on calls f on a goroutine of a virtual clock.
func on(f func(c *clock.Virtual)) {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	end := make(chan struct{})
	c.Go(func() {
		defer close(end)
		f(c)
	})
	<-end
}

func sleep(c clock.Clock, d time.Duration) { _ = c.SleepUntil(context.Background(), c.Now()+d) }

// Rows of NIST SRD 60 type_k.tab.
func TestTypeK(t *testing.T) {
	rows := map[float64]float64{ // °C: mV
		-270: -6.458, -200: -5.891, -100: -3.554, 0: 0, 25: 1.000, 100: 4.096, 225: 9.141,
		500: 20.644, 1000: 41.276, 1372: 54.886,
	}
	for temp, want := range rows {
		if got := TypeK(temp) * 1000; math.Abs(got-want) > 0.00051 {
			t.Errorf("%v °C: %.4f mV, want %.3f", temp, got, want)
		}
	}
}

func reg16(t *testing.T, b interface {
	Tx(addr uint16, w, r []byte) error
}, reg byte) uint16 {
	t.Helper()
	var r [2]byte
	if err := b.Tx(0x48, []byte{reg}, r[:]); err != nil {
		t.Error(err)
	}
	return binary.BigEndian.Uint16(r[:])
}

// Reset values and code rows: TI SBAS444D (chips.md section 1).
func TestADS1115(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip := NewADS1115(c)
		chip.Supply = 5.5
		board := NewBoard(c)
		board.AddI2C("/dev/i2c-1", 0x48, chip)
		b, err := board.I2C("/dev/i2c-1")
		if err != nil {
			t.Error(err)
			return
		}
		for reg, want := range []uint16{0x0000, 0x8583, 0x8000, 0x7FFF} {
			if got := reg16(t, b, byte(reg)); got != want {
				t.Errorf("register %d after power-up: %04X, want %04X", reg, got, want)
			}
		}
		// Single-shot AIN0-GND ±4.096 V 860/s (C3E3h): busy for 1/860 s.
		chip.Input[0] = constant(1)
		write := func(v uint16) {
			if err := b.Tx(0x48, []byte{1, byte(v >> 8), byte(v)}, nil); err != nil {
				t.Error(err)
			}
		}
		write(0xC3E3)
		if got := reg16(t, b, 1); got != 0x43E3 {
			t.Errorf("config while converting: %04X, want 43E3", got)
		}
		sleep(c, 1100*time.Microsecond)
		if got := reg16(t, b, 0); got != 0 {
			t.Errorf("result before the conversion's end: %04X", got)
		}
		sleep(c, 100*time.Microsecond)
		if got, cfg := reg16(t, b, 0), reg16(t, b, 1); got != 0x1F40 || cfg != 0xC3E3 {
			t.Errorf("1 V at 4.096 V: %04X with config %04X, want 1F40 with C3E3", got, cfg)
		}
		for _, row := range []struct {
			mux  uint16
			pga  uint16
			a, b float64
			want uint16
		}{
			{4, 1, 1.5, 0, 0x2EE0}, {4, 1, 3.3, 0, 0x6720}, {4, 2, 0.5, 0, 0x1F40},
			{0, 2, 0, 0.5, 0xE0C0}, {0, 5, 0.1, 0, 0x3200}, {0, 7, 0, 0.1, 0xCE00}, {4, 0, 5, 0, 0x682B},
			{0, 2, 3, 0, 0x7FFF}, {0, 2, 0, 3, 0x8000},
		} {
			chip.Input[0], chip.Input[1] = constant(row.a), constant(row.b)
			write(0x8000 | row.mux<<12 | row.pga<<9 | 0x01E3)
			sleep(c, 2*time.Millisecond)
			if got := reg16(t, b, 0); got != row.want {
				t.Errorf("mux %d pga %d, %v V and %v V: %04X, want %04X", row.mux, row.pga, row.a, row.b, got, row.want)
			}
		}
		// Continuous at 128/s: the input is taken at the conversion's end.
		begin := c.Now()
		chip.Input[0] = func(t time.Duration) float64 { return (t - begin).Seconds() }
		write(0x4283)
		sleep(c, 20*time.Millisecond) // two conversions of 7.8125 ms
		if got := reg16(t, b, 0); got != 125 {
			t.Errorf("ramp at 15.625 ms: code %d, want 125", got)
		}
		before := chip.Conversions()
		sleep(c, time.Second)
		if n := chip.Conversions() - before; n != 128 {
			t.Errorf("%d conversions in a second, want 128", n)
		}
		// General call reset.
		if err := b.Tx(0, []byte{6}, nil); err != nil {
			t.Error(err)
		}
		if got := chip.Config(); got != 0x8583 {
			t.Errorf("config after general call reset: %04X", got)
		}
	})
}

// Framing (DS21298E figures 5-1 and 6-1): a result does not depend on how many
// zeros come before the start bit; after it the bits come again, last first.
func TestMCP3208(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip := NewMCP3208(c, 4.096)
		chip.Input[5], chip.Input[4] = constant(2.7305), constant(0.5) // code 0AAAh
		for shift := range 16 {
			w, r := make([]byte, 8), make([]byte, 8)
			binary.BigEndian.PutUint64(w, 0b1_1_101<<(64-5)>>shift)
			chip.Transfer(0, time.Microsecond, w, r)
			got := binary.BigEndian.Uint64(r) << shift
			if null := got >> (64 - 7) & 1; null != 0 {
				t.Errorf("%d zeros before: null bit is 1", shift)
			}
			if code := got >> (64 - 19) & 0xFFF; code != 0xAAA {
				t.Errorf("%d zeros before: code %03X, want AAA", shift, code)
			}
			// B1 to B11, then zeros: 101 0101 0101.
			if tail := got << 19 >> (64 - 11); tail != 0x555 {
				t.Errorf("%d zeros before: bits after the result %03X, want 555", shift, tail)
			}
		}
		w, r := []byte{0x05, 0x40, 0}, make([]byte, 3) // differential, CH5+ CH4-
		chip.Transfer(0, time.Microsecond, w, r)
		if code := uint16(r[1]&15)<<8 | uint16(r[2]); code != 2230 {
			t.Errorf("differential: code %d, want 2230", code)
		}
	})
}

func TestMCP3208Times(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip := NewMCP3208(c, 4.096)
		var at []time.Duration
		chip.Input[0] = func(t time.Duration) float64 { at = append(at, t); return 0 }
		board := NewBoard(c)
		board.AddSPI("/dev/spidev0.0", chip)
		p, err := board.SPI("/dev/spidev0.0")
		if err != nil {
			t.Error(err)
			return
		}
		// 24 clocks at 96 kHz: 4000 packets a second.
		conn, err := p.Connect(96*physic.KiloHertz, spi.Mode0, 8)
		if err != nil {
			t.Error(err)
			return
		}
		ps := make([]spi.Packet, 80)
		for i := range ps {
			ps[i] = spi.Packet{W: []byte{0x06, 0, 0}, R: make([]byte, 3)}
		}
		if err := conn.TxPackets(ps); err != nil {
			t.Error(err)
		}
		if now := c.Now(); now != 20*time.Millisecond {
			t.Errorf("80 packets took %v, want 20ms", now)
		}
		for i, a := range at {
			// Sampled 11 clocks of 10.4166 µs after the packet's first.
			want := time.Duration(i)*250*time.Microsecond + 114583*time.Nanosecond
			if d := a - want; d > 10 || d < -10 {
				t.Fatalf("packet %d sampled at %v, want %v", i, a, want)
			}
		}
		if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); err == nil {
			t.Errorf("a second Connect is accepted")
		}
	})
}

// Frames of Maxim 19-5793 tables 2 to 5 (chips.md section 2).
func TestMAX31855(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip := NewMAX31855(c, 'K')
		read := func() uint32 {
			var r [4]byte
			sleep(c, 200*time.Millisecond)
			chip.Transfer(c.Now(), 200, make([]byte, 4), r[:])
			return binary.BigEndian.Uint32(r[:])
		}
		if got := read(); got != 0x01901900 {
			t.Errorf("25 °C everywhere: %08X, want 01901900", got)
		}
		chip.Cold = constant(-0.0625)
		chip.EMF = constant(-0.9375 * 41.276e-6)
		if got := read(); got != 0xFFF0FFF0 {
			t.Errorf("-1 °C at -0.0625 °C: %08X, want FFF0FFF0", got)
		}
		chip.Cold, chip.EMF = nil, nil
		chip.SetOpen(true)
		if got := read(); got != 0x00011901 {
			t.Errorf("open circuit at 25 °C: %08X, want 00011901", got)
		}
	})
}

// Register defaults, codes and conversion of the MAX31856 (chips.md section 3).
func TestMAX31856(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip := NewMAX31856(c)
		want := [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00}
		if got := chip.Registers(); got != want {
			t.Errorf("after power-up: % X, want % X", got, want)
		}
		put := func(addr byte, v ...byte) {
			w := append([]byte{addr | 0x80}, v...)
			chip.Transfer(c.Now(), 200, w, make([]byte, len(w)))
		}
		ltc := func() uint32 {
			r := chip.Registers()
			return uint32(r[0x0C])<<16 | uint32(r[0x0D])<<8 | uint32(r[0x0E])
		}
		cj := func() uint16 { r := chip.Registers(); return uint16(r[0x0A])<<8 | uint16(r[0x0B]) }
		put(0, 0x80)
		for hot, code := range map[float64]uint32{
			1000: 0x3E8000, 100.9375: 0x064F00, 25: 0x019000, 0.0625: 0x000100, 0: 0, -0.0625: 0xFFFF00, -1: 0xFFF000,
		} {
			chip.Hot = constant(hot)
			sleep(c, 100*time.Millisecond)
			if got := ltc(); got != code {
				t.Errorf("%v °C: %06X, want %06X", hot, got, code)
			}
		}
		for cold, code := range map[float64]uint16{
			125: 0x7D00, 64: 0x4000, 25: 0x1900, 0.5: 0x0080, 0.015625: 0x0004, -0.5: 0xFF80, -25: 0xE700, -55: 0xC900,
		} {
			chip.Cold = constant(cold)
			sleep(c, 100*time.Millisecond)
			if got := cj(); got != code {
				t.Errorf("cold %v °C: %04X, want %04X", cold, got, code)
			}
		}
		// One-shot: 143 ms at 60 Hz (from memory), then the bit clears.
		chip.Hot, chip.Cold = constant(200), nil
		put(0, 0x00)
		put(0, 0x40)
		sleep(c, 140*time.Millisecond)
		if r := chip.Registers(); r[0] != 0x40 {
			t.Errorf("CR0 during one-shot: %02X", r[0])
		}
		sleep(c, 4*time.Millisecond)
		if r := chip.Registers(); r[0] != 0 || ltc() != 200*4096 {
			t.Errorf("after one-shot: CR0 %02X, %06X", r[0], ltc())
		}
		// Voltage mode, gain 8: code = 8 · 1.6 · 2^17 · V.
		put(1, 0x08)
		put(0, 0x40)
		sleep(c, 200*time.Millisecond)
		if got, want := float64(ltc()>>5), 8*1.6*131072*(TypeK(200)-TypeK(25)); math.Abs(got-want) > 0.51 {
			t.Errorf("voltage mode: %v, want %v", got, want)
		}
		// Faults: open is seen only with detection on; cleared in interrupt mode by FAULTCLR.
		put(1, 0x03)
		chip.SetOpen(true)
		for _, w := range [][2]byte{{0x40, 0x00}, {0x50, 0x01}} { // CR0, SR; in this order: the fault is kept
			put(0, w[0])
			sleep(c, 200*time.Millisecond)
			if r := chip.Registers(); r[0x0F] != w[1] {
				t.Errorf("CR0 %02X, open: SR %02X, want %02X", w[0], r[0x0F], w[1])
			}
		}
		chip.SetOpen(false)
		put(3, 20) // cold junction high threshold 20 °C
		put(0, 0x54)
		sleep(c, 200*time.Millisecond)
		if r := chip.Registers(); r[0x0F] != 0x21 {
			t.Errorf("interrupt mode keeps faults: SR %02X, want 21", r[0x0F])
		}
		put(0, 0x06)
		if r := chip.Registers(); r[0x0F] != 0 {
			t.Errorf("FAULTCLR leaves SR %02X", r[0x0F])
		}
		chip.LoseConfig()
		if got := chip.Registers(); got != want {
			t.Errorf("after losing its settings: % X", got)
		}
	})
}

func TestWrongSPIMode(t *testing.T) {
	on(func(c *clock.Virtual) {
		board := NewBoard(c)
		board.AddSPI("/dev/spidev0.0", NewMAX31855(c, 'K'))
		p, err := board.SPI("/dev/spidev0.0")
		if err != nil {
			t.Error(err)
			return
		}
		conn, err := p.Connect(physic.MegaHertz, spi.Mode1, 8)
		if err != nil {
			t.Error(err)
			return
		}
		r := make([]byte, 4)
		if err := conn.Tx(make([]byte, 4), r); err != nil {
			t.Error(err)
		}
		if got := binary.BigEndian.Uint32(r); got != 0x01901900>>1|1<<31 {
			t.Errorf("%08X, want the frame one bit late", got)
		}
	})
}

// KeepCS joins packets into one transaction.
func TestKeepCS(t *testing.T) {
	on(func(c *clock.Virtual) {
		board := NewBoard(c)
		board.AddSPI("/dev/spidev0.0", NewMAX31856(c))
		p, err := board.SPI("/dev/spidev0.0")
		if err != nil {
			t.Error(err)
			return
		}
		conn, err := p.Connect(physic.MegaHertz, spi.Mode3, 8)
		if err != nil {
			t.Error(err)
			return
		}
		r := make([]byte, 3)
		if err := conn.TxPackets([]spi.Packet{{W: []byte{0x01}, KeepCS: true}, {R: r}}); err != nil {
			t.Error(err)
		}
		if r[0] != 0x03 || r[1] != 0xFF || r[2] != 0x7F {
			t.Errorf("CR1, MASK, CJHF read % X, want 03 FF 7F", r)
		}
		if err := conn.Tx(make([]byte, 4097), nil); !errors.Is(err, syscall.EMSGSIZE) {
			t.Errorf("4097 bytes: %v, want %v", err, syscall.EMSGSIZE)
		}
	})
}

func TestFaults(t *testing.T) {
	on(func(c *clock.Virtual) {
		chip, other := NewADS1115(c), NewADS1115(c)
		board := NewBoard(c)
		board.AddI2C("/dev/i2c-1", 0x48, chip)
		board.AddI2C("/dev/i2c-1", 0x49, other)
		b, err := board.I2C("/dev/i2c-1")
		if err != nil {
			t.Error(err)
			return
		}
		try := func(addr uint16) (byte, error) {
			var r [2]byte
			err := b.Tx(addr, []byte{1}, r[:])
			return r[0], err
		}
		check := func(what string, addr uint16, want error) {
			if _, err := try(addr); !errors.Is(err, want) {
				t.Errorf("%s: %v, want %v", what, err, want)
			}
		}
		check("no chip", 0x4A, syscall.EREMOTEIO)
		chip.SetAbsent(true)
		check("absent", 0x48, syscall.EREMOTEIO)
		check("its neighbour", 0x49, nil)
		chip.SetAbsent(false)
		chip.SetBusLow(true)
		check("low", 0x48, syscall.ETIMEDOUT)
		check("low, neighbour", 0x49, syscall.ETIMEDOUT)
		chip.SetBusLow(false)
		chip.SetNAKEvery(3)
		for i, want := range []error{nil, nil, syscall.EREMOTEIO, nil, nil, syscall.EREMOTEIO} {
			if _, err := try(0x48); !errors.Is(err, want) {
				t.Errorf("transaction %d: %v, want %v", i+1, err, want)
			}
		}
		chip.SetNAKEvery(0)
		chip.SetOtherChip(true)
		if v, _ := try(0x48); v != 0x5A {
			t.Errorf("other chip answers %02X", v)
		}
		chip.SetOtherChip(false)
		chip.SetFlipRate(1, 1)
		if v, _ := try(0x48); v != 0x7A { // 85h with every bit turned over
			t.Errorf("all bits flipped: %02X, want 7A", v)
		}
		chip.SetFlipRate(0, 1)
		chip.Input[0] = constant(1)
		chip.SetFreeze(true)
		_ = b.Tx(0x48, []byte{1, 0xC3, 0xE3}, nil)
		sleep(c, time.Second)
		if got := reg16(t, b, 0); got != 0 {
			t.Errorf("frozen chip gave %04X", got)
		}
	})
}

func TestBoardNames(t *testing.T) {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	board := NewBoard(c)
	_, err1 := board.I2C("/dev/i2c-9")
	_, err2 := board.SPI("/dev/spidev9.0")
	_, err3 := board.Pin("GPIO99")
	for _, err := range []error{err1, err2, err3} {
		if !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v, want %v", err, fs.ErrNotExist)
		}
	}
	pin := board.AddPin("GPIO18")
	edges := 0
	pin.OnEdge = func(time.Duration, gpio.Level) { edges++ }
	for _, l := range []gpio.Level{gpio.High, gpio.High, gpio.Low} {
		if err := pin.Out(l); err != nil {
			t.Error(err)
		}
	}
	if edges != 2 || pin.Read() != gpio.Low {
		t.Errorf("%d edges, level %v", edges, pin.Read())
	}
}

func BenchmarkMCP3208Sample(b *testing.B) {
	c := clock.NewVirtual(time.Unix(0, 0), 0)
	chip := NewMCP3208(c, 3.3)
	chip.Input[0] = constant(1)
	board := NewBoard(c)
	board.BusTime = false
	board.AddSPI("/dev/spidev0.0", chip)
	p, err := board.SPI("/dev/spidev0.0")
	if err != nil {
		b.Fatal(err)
	}
	conn, err := p.Connect(240*physic.KiloHertz, spi.Mode0, 8)
	if err != nil {
		b.Fatal(err)
	}
	ps := make([]spi.Packet, 200)
	for i := range ps {
		ps[i] = spi.Packet{W: []byte{0x06, 0, 0}, R: make([]byte, 3)}
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := conn.TxPackets(ps); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/200, "ns/sample")
}
