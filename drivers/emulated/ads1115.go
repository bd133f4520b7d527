package emulated

import (
	"math"
	"sync"
	"time"

	"tipoff/drivers/clock"
)

// ADS1115 is a model of the 16-bit delta-sigma converter (TI SBAS444).
//
// A conversion takes exactly 1/DR of Stretch 1 and takes the input as it is at
// the conversion's end; the chip's averaging over the conversion is left out.
type ADS1115 struct {
	Faults

	// Input gives the volts of AIN0..AIN3 against ground at time t; nil is 0 V.
	Input [4]func(t time.Duration) float64

	// Supply is VDD in volts. Inputs are held to 0.3 V beyond it and ground.
	Supply float64

	// Stretch multiplies the conversion time: the data sheet allows 0.9 to 1.1.
	Stretch float64

	clock clock.Clock

	mu      sync.Mutex
	pointer byte
	config  uint16 // without OS
	low     uint16
	high    uint16
	result  int16
	running bool          // a conversion is under way
	begin   time.Duration // of the running conversion
	active  uint16        // config that the running conversion uses
	done    uint64        // conversions since power-up
	ready   *Pin          // wired to ALERT/RDY, nil: nothing
}

// Register values after power-up (SBAS444D, config register; threshold registers).
const (
	adsConfigReset = 0x8583
	adsLowReset    = 0x8000
	adsHighReset   = 0x7FFF
	adsStart       = 0x8000
	adsSingle      = 0x0100
)

// Codes of the PGA and DR fields (SBAS444D config register).
var (
	adsRange = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	adsRate  = [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
)

// NewADS1115 returns a chip just powered up from 3.3 V.
func NewADS1115(c clock.Clock) *ADS1115 {
	a := &ADS1115{Supply: 3.3, Stretch: 1, clock: c}
	a.reset()
	return a
}

func (a *ADS1115) reset() {
	a.pointer, a.config, a.low, a.high = 0, adsConfigReset&^adsStart, adsLowReset, adsHighReset
	a.result, a.running = 0, false
}

// LoseConfig resets all registers, as a dip of the supply does.
func (a *ADS1115) LoseConfig() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.reset()
}

// Config is the config register as the chip holds it now, for tests.
func (a *ADS1115) Config() uint16 {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.advance(a.clock.Now())
	return a.readConfig()
}

// Conversions counts finished conversions since NewADS1115, for tests.
func (a *ADS1115) Conversions() uint64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.advance(a.clock.Now())
	return a.done
}

// WireReady wires the pin ALERT/RDY to a line. Do it before the line is used.
func (a *ADS1115) WireReady(p *Pin) { a.ready, p.drive = p, a }

// tell makes the pin's falling edge at the end of a conversion, if thresholds
// and comparator are set so (SBAS444, conversion ready pin). In continuous mode
// the pin rises again some 8 µs later, in single-shot mode with the next start.
func (a *ADS1115) tell(at time.Duration) {
	if a.ready != nil && a.high&0x8000 != 0 && a.low&0x8000 == 0 && a.config&3 != 3 && !a.is(frozen|absent|otherChip) {
		a.ready.push(at)
	}
}

// drive implements driver.
func (a *ADS1115) drive(now time.Duration) (time.Duration, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.advance(now)
	return a.begin + a.period(a.active), a.running
}

func (a *ADS1115) generalCall(w []byte) {
	if len(w) == 1 && w[0] == 0x06 && !a.is(absent) { // from memory
		a.LoseConfig()
	}
}

func (a *ADS1115) period(config uint16) time.Duration {
	return time.Duration(a.Stretch * 1e9 / adsRate[config>>5&7])
}

// advance finishes what has ended by now.
func (a *ADS1115) advance(now time.Duration) {
	if !a.running {
		return
	}
	p := a.period(a.active)
	if now < a.begin+p {
		return
	}
	a.finish(a.begin + p)
	a.begin += p
	if a.config&adsSingle != 0 {
		a.running = false
		return
	}
	// Settings written during a conversion apply from its end (SBAS444D,
	// continuous-conversion mode; from memory).
	a.active = a.config
	p = a.period(a.active)
	if k := (now - a.begin) / p; k > 0 {
		for i := max(1, k-pinQueue); i < k; i++ {
			a.tell(a.begin + i*p)
		}
		a.begin += k * p
		a.done += uint64(k - 1)
		a.finish(a.begin)
	}
}

func (a *ADS1115) finish(at time.Duration) {
	a.done++
	a.tell(at)
	if !a.is(frozen) {
		a.result = a.convert(at)
	}
}

func (a *ADS1115) convert(at time.Duration) int16 {
	var v float64
	switch mux := a.active >> 12 & 7; mux {
	case 0:
		v = a.pin(0, at) - a.pin(1, at)
	case 1:
		v = a.pin(0, at) - a.pin(3, at)
	case 2:
		v = a.pin(1, at) - a.pin(3, at)
	case 3:
		v = a.pin(2, at) - a.pin(3, at)
	default:
		v = a.pin(int(mux-4), at)
	}
	code := math.Round(v / adsRange[a.active>>9&7] * 32768)
	return int16(min(max(code, -32768), 32767))
}

func (a *ADS1115) pin(i int, at time.Duration) float64 {
	if a.Input[i] == nil {
		return 0
	}
	return min(max(a.Input[i](at), -0.3), a.Supply+0.3)
}

func (a *ADS1115) readConfig() uint16 {
	if a.running {
		return a.config
	}
	return a.config | adsStart
}

func (a *ADS1115) writeConfig(v uint16, now time.Duration) {
	a.config = v &^ adsStart
	if a.running {
		return // OS acts in power-down only
	}
	if v&adsSingle == 0 || v&adsStart != 0 {
		a.running, a.begin, a.active = true, now, a.config
	}
}

// Tx implements [I2CChip].
func (a *ADS1115) Tx(w, r []byte) error {
	if handled, err := a.i2c(r); handled {
		return err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.clock.Now()
	a.advance(now)
	if len(w) > 0 {
		a.pointer = w[0] & 3
	}
	if len(w) >= 3 {
		v := uint16(w[1])<<8 | uint16(w[2])
		switch a.pointer {
		case 1:
			a.writeConfig(v, now)
		case 2:
			a.low = v
		case 3:
			a.high = v
		}
	}
	v := [4]uint16{uint16(a.result), a.readConfig(), a.low, a.high}[a.pointer]
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i&1)))
	}
	a.noise(r)
	return nil
}
