// Package drivers holds the one interface between tipoff and whatever measures
// or sounds: a [Source] gives raw samples with monotonic stamps and fault bits,
// a [Sounder] makes noise or light. Chips, kernel devices, meters and recorded
// traces are packages below this one; package registry lists them.
//
// A driver never converts: it hands over what the device sent (a code, or the
// number a digital instrument transmitted) and describes in [Input] what that
// number stands for and how good the data sheet says it is. Package calib turns
// it into a value with uncertainty.
package drivers

import (
	"context"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"tipoff/drivers/clock"
)

// Fault is a set of things that a device or its driver knows to be wrong with
// one sample. 0 means nothing known.
type Fault uint16

// The faults. A sample with any fault in [Invalidating] holds no reading.
const (
	OpenCircuit       Fault = 1 << iota // thermocouple (or current loop) open
	ShortToGround                       // sensor wire shorted to ground
	ShortToSupply                       // sensor wire shorted to supply
	InputVoltage                        // input over- or under-voltage
	ColdJunctionRange                   // cold junction outside the chip's range
	InputRange                          // thermocouple outside the chip's range
	Clipped                             // code at the converter's rail
	Settling                            // first conversion after (re)configuration
	Restored                            // settings were lost and have been written again
	Frozen                              // the device repeats its last conversion
	Framing                             // the frame's fixed bits were wrong
	Missing                             // the recorded trace has no reading here
	Threshold                           // beyond a limit that is set in the chip; still a reading
)

// Invalidating is the set of faults with which Raw is not a reading.
const Invalidating = OpenCircuit | ShortToGround | ShortToSupply | InputVoltage | InputRange |
	Settling | Frozen | Framing | Missing

var faultNames = [...]string{
	"open circuit", "short to ground", "short to supply", "input voltage", "cold junction range",
	"input range", "clipped", "settling", "settings restored", "frozen", "framing", "missing",
	"beyond the chip's limit",
}

// String lists the faults in words, or "none".
func (f Fault) String() string {
	if f == 0 {
		return "none"
	}
	var names []string
	for i, n := range faultNames {
		if f&(1<<i) != 0 {
			names = append(names, n)
		}
	}
	return strings.Join(names, ", ")
}

// Sample is one raw sample. It is a value; batches of it are reused.
type Sample struct {
	At    time.Duration // monotonic time of the conversion on the source's clock
	Raw   float64       // code or transmitted number, exactly as the device gave it
	Aux   float64       // second number of the same reading (cold-junction code), NaN if none
	Input uint8         // index into Source.Inputs()
	Fault Fault
}

// Kind says what Input.Scale turns Raw into.
type Kind uint8

// The kinds of input.
const (
	Voltage      Kind = iota + 1 // volts at the converter's input: Scale*(Raw+Offset)
	Ratio                        // fraction of the converter's reference, 0..1
	Thermocouple                 // °C as the chip reports it; Aux*AuxScale is its cold junction in °C
	Temperature                  // °C of a finished thermometer
	Number                       // a number in Unit, as an instrument transmits it
	State                        // 0 or 1
)

// Input describes one input of a source. Constant while the source is open.
type Input struct {
	Name   string // as bench.toml names it: "ain0", "ain0-ain1", "tc", "ch3", "pressure"
	Kind   Kind
	Unit   string  // unit of Number inputs, as package calib/unit spells it; else ""
	Scale  float64 // quantity = Scale * (Raw + Offset)
	Offset float64
	// AuxScale * Aux is the cold junction in °C; of a Number it is the standard
	// uncertainty that came with it. 0: there is no Aux.
	AuxScale float64
	Integer  bool    // Raw is a whole number (a converter's code)
	RawMin   float64 // rails of Raw, both 0 if unknown; a code at a rail is Clipped
	RawMax   float64
	Interval time.Duration // nominal time between samples
	Waveform bool          // sampled fast enough to resolve mains cycles
	// Linearised tells how a Thermocouple input arrived at its °C: "" by the
	// tables of ITS-90 in the chip; else "41.276 µV/°C": the chip divided the
	// EMF difference by Sensitivity, and calib undoes it.
	Linearised  string
	Sensitivity float64 // V/°C of that division, 0 if none
	Type        byte    // thermocouple type letter B E J K N R S T, 0 if none
	Accuracy    Accuracy
}

// Accuracy holds a device's data sheet limits, each a half-width in the unit of
// the quantity (volts, °C) unless it says otherwise. Zero means not stated.
type Accuracy struct {
	Offset       float64 // offset error, ±
	Gain         float64 // gain error, ± fraction of the reading
	Nonlinearity float64 // integral non-linearity, ±
	Reference    float64 // reference tolerance, ± fraction of the reading
	Noise        float64 // rms noise, where the data sheet states it
	ColdJunction float64 // cold-junction error, ± °C
	Source       string  // data sheet title, revision and table
}

// Source is a device that measures.
//
// A Source is used by one goroutine at a time (the one that owns its bus) and
// starts none itself. It never waits for time to pass except inside a bus
// transfer; whoever owns the bus waits until the time that Read asks for.
type Source interface {
	// String names device and place for messages:
	// "ADS1115 on /dev/i2c-1 at 0x48".
	fmt.Stringer

	// Inputs describes the inputs, in the order of Sample.Input.
	Inputs() []Input

	// Start identifies the device, writes its settings and reads them back.
	// It may be called again after any error, and is then a fresh start.
	// Errors are of a [Condition].
	Start(ctx context.Context) error

	// Read does one bounded burst on the bus, stores at most len(dst) samples
	// in order of time in dst and returns how many, and the monotonic time
	// before which a further Read would find nothing new. len(dst) is at least
	// 512. On an error the n samples before it are valid, and no value is made
	// up for what was lost. Read allocates nothing while all is well.
	Read(ctx context.Context, dst []Sample) (n int, next time.Duration, err error)

	// Close puts the device to rest. The source can not be used after it.
	// A second Close does nothing.
	Close() error
}

// Sounder is an output that makes the alarm heard or seen.
type Sounder interface {
	fmt.Stringer

	// Set makes the sounder follow p from now on; a nil pattern is silence.
	// It returns within 1 ms and may be called at any rate.
	Set(p *Pattern) error

	// Tick lets the sounder follow its pattern; now is monotonic. It is called
	// at least every 20 ms while a pattern is set, returns at once, and
	// reports the output's failure if it has one.
	Tick(now time.Duration) error

	// Close silences and releases the output.
	Close() error
}

// Pattern is one repetition of an alarm signal: pulses, then a pause.
type Pattern struct {
	Name   string
	Pulses []Pulse       // in order
	Repeat time.Duration // from the first pulse's start to the next repetition's
	Tone   float64       // fundamental, Hz, for outputs that can choose it
}

// Pulse is one time during which the output is on.
type Pulse struct {
	Start, Length time.Duration // Start counts from the pattern's start
}

// On tells whether the pattern sounds at time t after it was set.
func (p *Pattern) On(t time.Duration) bool {
	if p == nil {
		return false
	}
	if p.Repeat > 0 {
		t %= p.Repeat
	}
	for _, u := range p.Pulses {
		if t >= u.Start && t < u.Start+u.Length {
			return true
		}
	}
	return false
}

// Ports opens the buses that drivers sit on. The daemon's are the kernel's
// devices by way of periph's host; the demo's and the tests' are models of
// chips behind the same interfaces. A driver cannot tell which it has.
type Ports interface {
	I2C(name string) (i2c.BusCloser, error)
	SPI(name string) (spi.PortCloser, error)
	Pin(name string) (gpio.PinIO, error)
}

// EdgeStamper is a gpio.PinIn that tells when its edges came.
type EdgeStamper interface {
	gpio.PinIn

	// EdgeAt is the monotonic time, on the source's clock, of the edge that
	// WaitForEdge reported last. WaitForEdge gives the edges in order, each
	// once, and with a time-out of 0 without waiting.
	EdgeAt() time.Duration
}

// LevelReader is a gpio.PinIn that tells when it can not be read. Read of
// gpio.PinIn has no error: a line that has gone reads low, which is what a
// contact to ground looks like that is closed.
type LevelReader interface {
	gpio.PinIn

	// Level is the line's level now.
	Level() (gpio.Level, error)
}

// Config is one device as bench.toml describes it: all channels that name the
// same driver, bus and address.
type Config struct {
	Driver  string
	Bus     string        // "/dev/i2c-1", "/dev/spidev0.0", "/dev/serial/by-id/…", "192.0.2.7:502"
	Address string        // "0x48" or "" where the bus has one device
	Inputs  []InputConfig // one for each channel, in the order of bench.toml
	Mains   float64       // mains frequency, Hz: 50 or 60
}

// InputConfig is what a channel asks of its device.
type InputConfig struct {
	Input   string            // which input: "ain0", "ch3", "" where there is one
	Options map[string]string // driver options by key, checked against Driver.Options
}

// Driver is a kind of source: what bench.toml calls it and how to open it.
type Driver struct {
	Name    string // "ads1115"
	Summary string // one sentence
	Bus     string // "i2c", "spi", "gpio", "serial", "network", "kernel", "file"
	// DefaultAddress is used where bench.toml gives none; "" for none.
	DefaultAddress string
	Inputs         []string // names a channel may ask for; nil means any, "" the only one
	Options        []Option
	// Open makes the source without touching the device, so that a missing
	// device never stops the start. It fails only for a wrong Config, with an
	// error that names the option and what is allowed.
	Open func(p Ports, c clock.Clock, cfg Config) (Source, error)
}

// Option is one key that a channel may set for its driver.
type Option struct {
	Key     string // "range"
	Allowed string // in words: "±6.144 V, ±4.096 V, … "
	Default string
	Doc     string
}
