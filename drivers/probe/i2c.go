package probe

import (
	"context"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"syscall"

	"periph.io/x/conn/v3/i2c"

	"tipoff/drivers/ads1115"
	"tipoff/drivers/bus"
	"tipoff/drivers/mcp9600"
)

// quiet are address ranges at which nothing is asked.
var quiet = []struct {
	from, to uint16
	why      string
}{
	{0x00, 0x07, "reserved by the I²C specification"},
	{0x0C, 0x0C, "alert response address: asking takes an alert away from who waits for it"},
	{0x30, 0x37, "write protection of memory modules and settings of displays: asking may be taken for a command"},
	{0x69, 0x69, "some clock generators there can only be written and may block the bus when read"},
	{0x78, 0x7F, "reserved by the I²C specification"},
}

// usual says what commonly sits at addresses of chips that tipoff does not know
// (from memory). Nothing but the address speaks for it.
var usual = []struct {
	from, to uint16
	what     string
}{
	{0x20, 0x27, "a port expander or a display behind one"},
	{0x38, 0x3B, "a port expander, humidity sensor or touch screen"},
	{0x3C, 0x3D, "a small display"},
	{0x40, 0x47, "a current monitor or humidity sensor: the kernel's hwmon or iio drivers read many"},
	{0x48, 0x4F, "a thermometer or converter: the kernel's hwmon or iio drivers read many"},
	{0x50, 0x57, "a memory (EEPROM)"},
	{0x58, 0x5F, "a gas or pressure sensor, or a memory"},
	{0x60, 0x67, "a voltage output (DAC), clock generator or key store"},
	{0x68, 0x68, "a clock or motion sensor"},
	{0x70, 0x75, "a multiplexer or display driver"},
	{0x76, 0x77, "a barometer or multiplexer: the kernel's iio drivers read many barometers"},
}

// own are marks in an adapter's name of buses that are a computer's own inner
// wiring: displays, memory modules, power supply.
var own = []string{"smbus", "gmbus", "ddc", "hdmi", "aux", "dpmst", "nvidia", "amdgpu", "radeon", "i801", "piix4"}

// i2c looks at all buses.
func (l *look) i2c(ctx context.Context) error {
	paths := l.glob("dev/i2c-[0-9]*")
	if len(paths) == 0 && len(l.opt.Only) == 0 {
		l.noI2C()
	}
	for _, p := range paths {
		name := "/" + p
		yes, named := l.wanted(name)
		if !yes {
			continue
		}
		b := I2CBus{Path: name, Name: l.text("sys/class/i2c-dev/" + path.Base(p) + "/name"), Answers: []Answer{}, Skipped: []Skipped{}}
		inner := slices.IndexFunc(own, func(mark string) bool { return strings.Contains(strings.ToLower(b.Name), mark) })
		if inner >= 0 && !named {
			b.Why = fmt.Sprintf("its name says %q: a computer's inner wiring (displays, memory, power supply); --bus %s looks all the same", own[inner], name)
		} else if err := l.scan(ctx, &b); err != nil {
			return err
		}
		l.report.I2C = append(l.report.I2C, b)
	}
	return nil
}

// scan asks each address of a bus.
func (l *look) scan(ctx context.Context, b *I2CBus) error {
	dev, err := l.Ports.I2C(b.Path)
	if err != nil {
		b.Why = l.refused(b.Path, "i2c", err)
		return nil
	}
	defer dev.Close()
	b.Looked = true
	for _, q := range quiet {
		b.Skipped = append(b.Skipped, Skipped{Addresses: span(q.from, q.to), Why: q.why})
	}
	late := 0
	for addr := uint16(0x08); addr <= 0x77; addr++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		if isQuiet(addr) {
			continue
		}
		if driver, used := l.kernelUses(b.Path, addr); used {
			b.Skipped = append(b.Skipped, Skipped{Addresses: span(addr, addr), Why: "the kernel's driver " + driver + " uses the chip there"})
			continue
		}
		a, err := l.ask(dev, addr)
		switch errno := bus.Errno(err); {
		case err == nil:
			b.Answers = append(b.Answers, a)
			l.recognised(b.Path, a)
			late = 0
		case errno == syscall.EOPNOTSUPP, errno == syscall.ENOTTY:
			b.Looked, b.Why, b.Skipped = false, "the adapter can not do plain I²C transfers", []Skipped{}
			return nil
		case errno == syscall.ETIMEDOUT:
			if late++; late >= 3 {
				b.Why = "a line of the bus is held low: nothing can be asked"
				l.problem(b.Path, "a line of the bus is held low",
					"switch the sensors' supply off and on, check SDA and SCL for a short and their pull-up resistors (3.3 V must be there)")
				return nil
			}
		}
	}
	return nil
}

func isQuiet(addr uint16) bool {
	for _, q := range quiet {
		if addr >= q.from && addr <= q.to {
			return true
		}
	}
	return false
}

// ask asks one address to send a byte, and looks closer if a chip of tipoff's
// can be there. Its error is that of nobody being there.
func (l *look) ask(dev i2c.Bus, addr uint16) (Answer, error) {
	a := Answer{Address: fmt.Sprintf("0x%02X", addr)}
	var one [1]byte
	if err := dev.Tx(addr, nil, one[:]); err != nil {
		return a, err
	}
	var known func(i2c.Bus, uint16) (bus.Recognised, error)
	switch {
	case slices.Contains(ads1115.Addresses(), addr):
		known = ads1115.Recognise
	case slices.Contains(mcp9600.Addresses(), addr):
		known = mcp9600.Recognise
	}
	a.Evidence = "answers; no chip that tipoff reads itself has this address, so it was asked nothing further"
	if known != nil {
		got, err := known(dev, addr)
		if err != nil {
			a.Evidence = "answers, but " + err.Error() + ": check the wiring"
			return a, nil
		}
		a.Chip, a.Confidence, a.Evidence = got.Chip, got.Confidence, got.Evidence
	}
	if a.Chip == "" {
		for _, u := range usual {
			if addr >= u.from && addr <= u.to {
				a.Evidence += "; commonly " + u.what
			}
		}
	}
	return a, nil
}

// kernelUses tells whether a driver of the kernel sits on the chip. Reading
// past it could disturb it.
func (l *look) kernelUses(busPath string, addr uint16) (driver string, used bool) {
	n := strings.TrimPrefix(busPath, "/dev/i2c-")
	dir := fmt.Sprintf("sys/bus/i2c/devices/%s-%04x", n, addr)
	if !l.exists(dir + "/driver") {
		return "", false
	}
	if to, err := fs.ReadLink(l.Root, dir+"/driver"); err == nil {
		return path.Base(to), true
	}
	return l.text(dir + "/name"), true
}

// recognised notes a chip.
func (l *look) recognised(busPath string, a Answer) {
	if a.Chip == "" {
		return
	}
	driver := "ads1115"
	if strings.HasPrefix(a.Chip, "MCP960") {
		driver = "mcp9600"
	}
	l.report.Chips = append(l.report.Chips, Chip{Driver: driver, Name: a.Chip, Bus: busPath, Address: a.Address, Confidence: a.Confidence})
}

// span is a range of addresses.
func span(from, to uint16) string {
	if from == to {
		return fmt.Sprintf("0x%02X", from)
	}
	return fmt.Sprintf("0x%02X-0x%02X", from, to)
}
