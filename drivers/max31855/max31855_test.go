package max31855

import (
	"context"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

const port = "/dev/spidev0.1"

var typeK = drivers.Config{Driver: "max31855", Bus: port, Inputs: []drivers.InputConfig{{}}, Mains: 50}

// digits makes a number of a data sheet row.
func digits(s string) (v uint32) {
	for _, c := range s {
		v = v<<1 | uint32(c-'0')
	}
	return v
}

// Maxim 19-5793 table 4, thermocouple field D31..D18.
func TestThermocoupleRows(t *testing.T) {
	for row, want := range map[string]float64{
		"01100100000000": 1600, "00111110100000": 1000, "00000110010011": 100.75, "00000001100100": 25,
		"00000000000000": 0, "11111111111111": -0.25, "11111111111100": -1, "11110000011000": -250,
	} {
		if raw, _, _ := decode(digits(row) << 18); raw*0.25 != want {
			t.Errorf("%s: %v °C, want %v", row, raw*0.25, want)
		}
	}
}

// Maxim 19-5793 table 5, internal field D15..D4.
func TestInternalRows(t *testing.T) {
	for row, want := range map[string]float64{
		"011111110000": 127, "011001001001": 100.5625, "000110010000": 25, "000000000000": 0,
		"111111111111": -0.0625, "111111110000": -1, "111011000000": -20, "110010010000": -55,
	} {
		if _, aux, _ := decode(digits(row) << 4); aux*0.0625 != want {
			t.Errorf("%s: %v °C, want %v", row, aux*0.0625, want)
		}
	}
}

// Whole frames computed from tables 2 to 5 (chips.md section 2).
func TestFrames(t *testing.T) {
	for _, row := range []struct {
		frame    uint32
		raw, aux float64
		fault    drivers.Fault
	}{
		{0x01901900, 100, 400, 0},
		{0xFFF0FFF0, -4, -1, 0},
		{0x00011901, 0, 400, drivers.OpenCircuit},
		{0x00011902, 0, 400, drivers.ShortToGround},
		{0x00011904, 0, 400, drivers.ShortToSupply},
	} {
		raw, aux, fault := decode(row.frame)
		if raw != row.raw || aux != row.aux || fault != row.fault || !sound(row.frame) {
			t.Errorf("%08X: %v %v %v, sound %v", row.frame, raw, aux, fault, sound(row.frame))
		}
	}
	for _, f := range []uint32{0, 0xFFFFFFFF, 0x01901900 | 1<<17, 0x01901900 | 1<<3, 0x01901900 | 1<<16, 0x01901901} {
		if sound(f) {
			t.Errorf("%08X passes for sound", f)
		}
	}
}

func first(t *testing.T, set func(*emulated.MAX31855)) (s drivers.Sample) {
	t.Helper()
	drivertest.OnClock(func(c *clock.Virtual) {
		chip := emulated.NewMAX31855(c, 'K')
		set(chip)
		board := emulated.NewBoard(c)
		board.AddSPI(port, chip)
		src, err := open(board, c, typeK)
		if err != nil {
			t.Error(err)
			return
		}
		if err := src.Start(context.Background()); err != nil {
			t.Error(err)
			return
		}
		dst := make([]drivers.Sample, 512)
		if n, _, err := src.Read(context.Background(), dst); n != 1 || err != nil {
			t.Errorf("%d samples, %v", n, err)
		}
		s = dst[0]
	})
	return s
}

// True temperatures and what a type K chip makes of them at 25 °C, computed
// from the rule of page 8 and the NIST function (chips.md section 2), before
// its rounding to 0.25 °C.
func TestLinearRule(t *testing.T) {
	for hot, want := range map[float64]float64{
		0: 0.767, 100: 100.007, 200: 197.939, 225: 222.230, 250: 246.754, 300: 296.546,
		400: 398.023, 500: 500.919, 1000: 1000.757,
	} {
		s := first(t, func(m *emulated.MAX31855) {
			m.EMF = func(time.Duration) float64 { return emulated.TypeK(hot) - emulated.TypeK(25) }
		})
		if got := s.Raw * 0.25; math.Abs(got-want) > 0.126 || s.Aux*0.0625 != 25 {
			t.Errorf("%v °C: %v °C and %v °C, want %v °C and 25 °C", hot, got, s.Aux*0.0625, want)
		}
	}
}

func TestFaults(t *testing.T) {
	for _, row := range []struct {
		set  func(*emulated.MAX31855)
		want drivers.Fault
	}{
		{func(m *emulated.MAX31855) { m.SetOpen(true) }, drivers.OpenCircuit},
		{func(m *emulated.MAX31855) { m.SetShortGND(true) }, drivers.ShortToGround},
		{func(m *emulated.MAX31855) { m.SetShortVCC(true) }, drivers.ShortToSupply},
	} {
		if s := first(t, row.set); s.Fault != row.want || s.Fault&drivers.Invalidating == 0 {
			t.Errorf("fault %v, want %v", s.Fault, row.want)
		}
	}
}

// The chip's own name for what calib has to undo.
func TestDescription(t *testing.T) {
	src, err := open(nil, nil, typeK)
	if err != nil {
		t.Fatal(err)
	}
	in := src.Inputs()[0]
	if in.Linearised != "41.276 µV/°C" || in.Sensitivity != 41.276e-6 || in.Type != 'K' {
		t.Errorf("%+v", in)
	}
	if !strings.Contains(src.String(), port) {
		t.Errorf("%q does not name its place", src)
	}
}

// subject is a chip whose couple is so many degrees, by its own scale, above it.
func subject(above float64) drivertest.Subject {
	return drivertest.Subject{
		Driver: Driver(), Config: typeK, Stuck: drivers.NotPresent, Errno: syscall.EIO, Near: 4,
		Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
			chip := emulated.NewMAX31855(c, 'K')
			chip.EMF = func(time.Duration) float64 { return 41.276e-6 * above }
			b.AddSPI(port, chip)
			return chip
		},
	}
}

func TestConformance(t *testing.T) { drivertest.Run(t, subject(0)) }
func BenchmarkRead(b *testing.B)   { subject(0).Bench(b) }

// A bit turned over in a frame reaches nobody as a temperature that is off by
// more than the threshold: 200 °C over a cold junction of 25 °C.
func TestTurnedBits(t *testing.T) {
	subject(175).Disturbed(t, 1e-3, 5*time.Minute, 2500, func(now time.Duration, x drivers.Sample) { // one every 110 ms
		if math.Abs(x.Raw/4-200) > 1 || math.Abs(x.Aux/16-25) > 1 {
			t.Errorf("%v °C at %v °C passes for 200 °C at 25 °C at %v", x.Raw/4, x.Aux/16, now)
		}
	})
}
