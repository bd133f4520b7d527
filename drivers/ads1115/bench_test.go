package ads1115

import (
	"testing"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

func subject(cfg drivers.Config) drivertest.Subject {
	return drivertest.Subject{Driver: Driver(), Config: cfg, Place: func(b *emulated.Board, c clock.Clock) drivertest.Chip {
		chip := emulated.NewADS1115(c)
		b.AddI2C(at48, 0x48, chip)
		chip.WireReady(b.AddPin(rdy))
		return chip
	}}
}

func BenchmarkRead(b *testing.B) {
	subject(config(in("ain0", "waveform", "yes", "rate", "860/s"), in("ain1"))).Bench(b)
}

// Issue 4: %core is at most 2.
func BenchmarkReady860(b *testing.B) { subject(config(fast("ain0", "waveform", "yes"))).Bench(b) }

// Issue 4: 860 S/s on the emulated bus.
func TestSustains860(t *testing.T) {
	subject(config(fast("ain0", "waveform", "yes"))).Sustains(t, 859.5, 10*time.Second)
}
