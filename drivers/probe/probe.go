package probe

import (
	"context"
	"io/fs"
	"slices"
	"strings"
	"time"

	"tipoff/drivers"
	"tipoff/drivers/bus"
	"tipoff/drivers/clock"
)

// System is what the probe looks at. [Host] is the computer's own.
type System struct {
	// Root is the file tree: "dev/i2c-1", "sys/bus/iio/devices", "proc/asound/pcm".
	Root fs.FS
	// Ports opens the buses; Clock times the readings. If the clock is virtual,
	// Look runs in one of its goroutines.
	Ports drivers.Ports
	Clock clock.Clock
	// May tells whether this user may read and write a device file given by its
	// path ("/dev/snd/pcmC0D0p"), and the name of the group that owns it.
	May func(path string) (group string, err error)
	// Lines lists the lines of a GPIO chip given by its path.
	Lines func(path string) (GPIOChip, error)
}

// Options say how to look.
type Options struct {
	// Time is for how long live readings are taken of each chip.
	Time time.Duration
	// Mains is the mains frequency in Hz, 50 or 60.
	Mains float64
	// Only limits the look to these buses, by path, and looks at them even if
	// they seem to be the computer's own. Empty means all that are for sensors.
	Only []string
}

// Report is what was found. It is what --json prints.
type Report struct {
	Board    string         `json:"board,omitempty"` // the computer, as it calls itself
	Seconds  float64        `json:"seconds"`         // of live readings of each chip
	I2C      []I2CBus       `json:"i2c"`
	SPI      []SPIPort      `json:"spi"`
	Chips    []Chip         `json:"chips"`
	IIO      []KernelDevice `json:"iio"`
	HWMon    []KernelDevice `json:"hwmon"`
	GPIO     []GPIOChip     `json:"gpio"`
	PWM      []PWMChip      `json:"pwm"`
	Sound    []SoundDevice  `json:"sound"`
	Serial   []SerialPort   `json:"serial"`
	Problems []Problem      `json:"problems"`
}

// Problem is something that keeps the probe, and tipoff, from a device.
type Problem struct {
	Where string `json:"where"`
	What  string `json:"what"`
	Hint  string `json:"hint,omitempty"` // what to do about it
}

// I2CBus is one bus.
type I2CBus struct {
	Path    string    `json:"path"`
	Name    string    `json:"name,omitempty"` // as the kernel calls the adapter
	Looked  bool      `json:"looked"`         // whether it was looked at
	Why     string    `json:"why,omitempty"`  // if not: why
	Answers []Answer  `json:"answers"`
	Skipped []Skipped `json:"skipped"`
}

// Answer is one chip that answers, recognised or not.
type Answer struct {
	Address    string         `json:"address,omitempty"` // "0x48"
	Chip       string         `json:"chip,omitempty"`    // "" if it was not recognised
	Confidence bus.Confidence `json:"confidence,omitempty"`
	Evidence   string         `json:"evidence"`
}

// Skipped are addresses that were not asked.
type Skipped struct {
	Addresses string `json:"addresses"` // "0x03-0x07"
	Why       string `json:"why"`
}

// SPIPort is one chip select of an SPI bus.
type SPIPort struct {
	Path   string `json:"path"`
	Answer Answer `json:"answer"`
	Silent bool   `json:"silent,omitempty"` // nothing drives the data line
	Why    string `json:"why,omitempty"`    // why it was not looked at
}

// Chip is a chip that tipoff can read.
type Chip struct {
	Driver     string         `json:"driver"` // as bench.toml calls it
	Name       string         `json:"name"`   // "ADS1115 or ADS1015"
	Bus        string         `json:"bus"`
	Address    string         `json:"address,omitempty"`
	Confidence bus.Confidence `json:"confidence"`
	Pins       []Pin          `json:"pins"`
	Inputs     []Input        `json:"inputs"`
	Trouble    string         `json:"trouble,omitempty"` // what went wrong while it was read
	Notes      []string       `json:"notes,omitempty"`
}

// Where is bus and address.
func (c *Chip) Where() string {
	if c.Address == "" {
		return c.Bus
	}
	return c.Bus + " at " + c.Address
}

// Pin says what a pin of a chip has to be connected to.
type Pin struct {
	Pin string `json:"pin"`
	To  string `json:"to"`
}

// Input is one input and what it reads now.
type Input struct {
	Name    string   `json:"name"` // as bench.toml calls it, "" where there is one
	Pin     string   `json:"pin"`
	To      string   `json:"to"`
	Reading *Reading `json:"reading,omitempty"` // nil: none was taken
}

// KernelDevice is a device that a driver of the kernel reads.
type KernelDevice struct {
	Path   string  `json:"path"`
	Name   string  `json:"name"`
	Inputs []Input `json:"inputs"`
}

// GPIOChip is one controller of GPIO lines.
type GPIOChip struct {
	Path  string `json:"path"`
	Label string `json:"label"`
	Lines []Line `json:"lines"`
}

// Line is one GPIO line.
type Line struct {
	Offset int    `json:"offset"`
	Name   string `json:"name"` // as bench.toml calls it; "" for one that it calls gpiochip0/5
	Used   bool   `json:"used"`
	By     string `json:"by,omitempty"` // who uses it, if that is known
	Output bool   `json:"output"`
}

// PWMChip is one controller of PWM outputs, which give a bare piezo its tone.
type PWMChip struct {
	Name    string   `json:"name"`    // "pwmchip0"
	Outputs []string `json:"outputs"` // as bench.toml calls them: "pwmchip0/pwm0"
}

// SoundDevice is one device that plays.
type SoundDevice struct {
	Path string `json:"path"` // as bench.toml calls it
	Name string `json:"name"`
}

// SerialPort is one serial port.
type SerialPort struct {
	Path string `json:"path"`          // the name that stays the same, where there is one
	Also string `json:"also"`          // the kernel's name for it
	Use  string `json:"use,omitempty"` // what else it is used for
}

// Measures tells whether anything was found that tipoff can record from without
// being told more: a chip that is at least likely, or a device of the kernel's
// IIO.
func (r *Report) Measures() bool {
	return len(r.IIO) > 0 || slices.ContainsFunc(r.Chips, func(c Chip) bool { return c.Confidence != bus.Possible })
}

// look is one look at a system.
type look struct {
	System
	opt    Options
	header bool // the board has the 40-pin header
	report *Report
}

// Look looks at everything. It returns an error only if ctx ends.
func Look(ctx context.Context, s System, o Options) (*Report, error) {
	l := &look{System: s, opt: o, report: &Report{
		Seconds: o.Time.Seconds(),
		I2C:     []I2CBus{}, SPI: []SPIPort{}, Chips: []Chip{}, IIO: []KernelDevice{}, HWMon: []KernelDevice{},
		GPIO: []GPIOChip{}, PWM: []PWMChip{}, Sound: []SoundDevice{}, Serial: []SerialPort{}, Problems: []Problem{},
	}}
	l.board()
	for _, p := range o.Only {
		if !l.exists(strings.TrimPrefix(p, "/")) {
			l.problem(p, "there is no such bus", "without --bus all buses are looked at")
		}
	}
	for _, step := range []func(context.Context) error{l.i2c, l.spi, l.chips, l.kernel} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	l.gpio()
	l.pwm()
	l.sound()
	l.serial()
	return l.report, ctx.Err()
}

// board reads what the computer calls itself.
func (l *look) board() {
	l.report.Board = strings.Trim(l.text("proc/device-tree/model"), "\x00 ")
	// Their first two-row header is the same on all models with 40 pins.
	l.header = strings.HasPrefix(l.report.Board, "Raspberry Pi") && !strings.Contains(l.report.Board, "Compute Module")
}

// text is a small file's text without the white space around it, "" if it can
// not be read.
func (l *look) text(path string) string {
	b, err := fs.ReadFile(l.Root, path)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

func (l *look) exists(path string) bool {
	_, err := fs.Stat(l.Root, path)
	return err == nil
}

// glob lists what matches, in the order of the numbers in the names.
func (l *look) glob(pattern string) []string {
	found, err := fs.Glob(l.Root, pattern)
	if err != nil {
		return nil // only a wrong pattern fails
	}
	sortNatural(found)
	return found
}

func (l *look) problem(where, what, hint string) {
	l.report.Problems = append(l.report.Problems, Problem{Where: where, What: what, Hint: hint})
}

// wanted tells whether a bus is to be looked at, and whether the user named it.
func (l *look) wanted(path string) (yes, named bool) {
	if len(l.opt.Only) == 0 {
		return true, false
	}
	for _, p := range l.opt.Only {
		if p == path {
			return true, true
		}
	}
	return false, false
}
