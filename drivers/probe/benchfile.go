package probe

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"tipoff/drivers/bus"
)

// ErrNoChannel is the error of a first bench.toml for which nothing was found
// that measures.
var ErrNoChannel = errors.New("nothing was found that a channel could be made of")

// BenchFile is a first bench.toml for what was found: the first fitting input
// for each of glass, pressure and current, and the rest named in comments. What
// only the user can know stands there as an example marked FILL IN, and with the
// widest accuracy that the file can state, so that no number looks better than it
// is. mains is 50 or 60; sounder is the alarm's output, nil for none.
func (r *Report) BenchFile(mains float64, sounder *Sounder) (string, error) {
	b := &benchFile{}
	b.text("# A first bench.toml, written by 'tipoff probe' from what was connected.\n" +
		"# Every line marked FILL IN holds an example: put your own value there. Until then\n" +
		"# its accuracy is the widest, so that no number looks better than it is. All keys:\n" +
		"# docs/configuration.md. Afterwards: tipoff check bench.toml\n\n")
	b.text("[bench]\nname = \"bench-1\"\nmains = \"%.0f Hz\"              # FILL IN: your mains frequency\n", mains)
	b.text("manifold_volume = \"0.5 L\"    # FILL IN: manifold and hoses up to the main stopcock, without tube\n" +
		"# pump_speed = \"0.9 L/s\"     # at the main stopcock, at high pressure\n" +
		"# open_circuit = \"12 kV\"     # bombarder secondary, RMS: on its plate\n" +
		"# max_current = \"1.2 A\"      # most that the bombarder gives, RMS\n\n")
	b.text("[store]\ndirectory = \"/var/lib/tipoff\"\n\n[page]\nlisten = \"127.0.0.1:8077\"    # \":8077\" lets others in the shop see it\n")
	b.glass(r)
	b.pressure(r)
	b.current(r)
	b.rest(r)
	b.sounder(sounder)
	if b.channels == 0 {
		return "", ErrNoChannel
	}
	return b.String(), nil
}

// Sounder is the alarm's output as bench.toml says it.
type Sounder struct {
	Driver string // "buzzer" or "speaker"
	Line   string // of a buzzer
	Device string // of a speaker
	// ActiveLow is for a buzzer that sounds while the line is low.
	ActiveLow bool
	Tone      float64 // of a buzzer on a PWM output, Hz
}

type benchFile struct {
	strings.Builder
	channels int
	used     []string // places of which an input is used
}

func (b *benchFile) text(format string, args ...any) { fmt.Fprintf(b, format, args...) }

// channel begins a channel.
func (b *benchFile) channel(name, role string, c *Chip, input string, more string) {
	b.channels++
	b.used = append(b.used, c.Where()+" "+input)
	b.text("\n[[channel]]\nname = %q\nrole = %q\ndriver = %q\nbus = %q\n", name, role, c.Driver, c.Bus)
	if c.Address != "" {
		b.text("address = %q\n", c.Address)
	}
	if input != "" {
		b.text("input = %q\n", input)
	}
	b.text("%s", more)
}

// fromKernel begins a channel of an IIO device.
func (b *benchFile) fromKernel(name, role string, d *KernelDevice, input string) {
	b.channels++
	b.used = append(b.used, d.Path+" "+input)
	b.text("\n[[channel]]\nname = %q\nrole = %q\ndriver = \"iio\"\naddress = %q\ninput = %q\n", name, role, "name:"+d.Name, input)
}

// kernelInput finds the first input of a kind.
func kernelInput(devices []KernelDevice, kind string) (*KernelDevice, string) {
	for i := range devices {
		for _, in := range devices[i].Inputs {
			if strings.HasPrefix(in.Name, kind) && in.Reading != nil {
				return &devices[i], in.Name
			}
		}
	}
	return nil, ""
}

// thermocoupleChips in the order of preference: those that linearise first.
var thermocoupleChips = []string{"max31856", "mcp9600", "max31855"}

// glass takes the best thermocouple chip, one with a whole thermocouple first.
func (b *benchFile) glass(r *Report) {
	b.text("\n# Thermocouple on the glass, isolated as docs/wiring.md asks.")
	var found []*Chip
	for i := range r.Chips {
		if c := &r.Chips[i]; slices.Contains(thermocoupleChips, c.Driver) && c.Confidence != bus.Possible {
			found = append(found, &r.Chips[i])
		}
	}
	slices.SortStableFunc(found, func(x, y *Chip) int { return rank(x) - rank(y) })
	const calibration = "\n[channel.calibration]\nkind = \"thermocouple\"\n" +
		"# class = \"IEC 2\"            # FILL IN: tolerance class of the wire\n" +
		"mounting = \"8 K\"             # FILL IN: junction against glass; 8 K is common practice\n" +
		"accuracy_abs = \"20 K\"        # FILL IN: not checked yet; leave out once it is calibrated (tipoff calibrate glass)\n" +
		"max_rate = \"15 °C/s\"         # faster than any bombarder heats glass\n"
	if len(found) > 0 {
		b.text("\n")
		b.channel("glass", "glass", found[0], "", "type = \"K\"                   # FILL IN: thermocouple type; of a MAX31855 the letter of its name\n"+calibration)
		return
	}
	if d, in := kernelInput(r.IIO, "temp"); d != nil {
		b.text(" FILL IN: whether this is it.\n")
		b.fromKernel("glass", "glass", d, in)
		b.text("accuracy = \"20 °C\"           # FILL IN: from the chip's data sheet\n\n[channel.calibration]\nkind = \"none\"\n")
		return
	}
	b.text(" No chip for it was found.\n")
}

func rank(c *Chip) int {
	n := slices.Index(thermocoupleChips, c.Driver)
	if c.Inputs[0].Reading == nil || c.Inputs[0].Reading.Count == 0 {
		n += len(thermocoupleChips)
	}
	return n
}

// first finds the first chip of a driver that is at least likely.
func first(r *Report, driver string) *Chip {
	for i := range r.Chips {
		if r.Chips[i].Driver == driver && r.Chips[i].Confidence != bus.Possible {
			return &r.Chips[i]
		}
	}
	return nil
}

func (b *benchFile) pressure(r *Report) {
	b.text("\n# Pressure gauge on the manifold. The characteristic is that of a wide-range\n" +
		"# transmitter with 1 V for each factor ten: FILL IN your gauge's, from its manual.\n")
	const calibration = "\n[channel.calibration]\nkind = \"log-linear\"           # or \"linear\", \"table\"\n" +
		"volts_at = \"5.625 V\"          # FILL IN: gauge's output …\n" +
		"pressure_at = \"1 Torr\"        # FILL IN: … at this pressure\n" +
		"slope = \"1 V/decade\"          # FILL IN\n" +
		"divider = \"3:1\"               # FILL IN: gauge's volts for each volt at the converter; \"1:1\" without a divider\n" +
		"# under_range = \"1.5 V\"       # FILL IN: gauge's volts outside which it is unplugged or broken\n" +
		"# over_range = \"9 V\"\n" +
		"gas_dependent = false         # FILL IN: true for a Pirani or thermocouple gauge\n" +
		"accuracy = \"50 %%\"             # FILL IN: ± of the reading, from its manual or by tipoff calibrate manifold\n"
	if c := first(r, "ads1115"); c != nil {
		b.channel("manifold", "pressure", c, "ain0", "range = \"4.096 V\"\nrate = \"128/s\"\n")
	} else if d, in := kernelInput(r.IIO, "voltage"); d != nil {
		b.fromKernel("manifold", "pressure", d, in)
	} else if c := first(r, "mcp3208"); c != nil {
		b.channel("manifold", "pressure", c, "ch1", "waveform = \"no\"\nreference = \"3.3 V\"           # FILL IN: voltage at VREF\n")
	} else {
		b.text("# No converter for it was found. A gauge on a serial port or Modbus: docs/drivers-serial.md.\n")
		return
	}
	b.text(calibration)
}

func (b *benchFile) current(r *Report) {
	b.text("\n# Current transformer on the earthed midpoint link or a primary lead, never on a\n# high-voltage lead.\n")
	c := first(r, "mcp3208")
	if c == nil {
		b.text("# No converter that is fast enough was found (MCP3208, or an ADS1115 of its own at 860/s).\n")
		return
	}
	b.channel("bombarder", "current", c, "ch0", "rate = \"4000/s\"\nreference = \"3.3 V\"           # FILL IN: voltage at VREF\n")
	b.text("\n[channel.calibration]\nkind = \"current\"\nratio = \"1000:1\"              # FILL IN: the transformer's, on its plate\n" +
		"burden = \"820 ohm\"            # FILL IN: resistor across the transformer\n")
	b.text("bias = \"1.65 V\"               # FILL IN: voltage at the input without current\n")
	if in := c.Inputs[0].Reading; in != nil && in.Count > 0 {
		b.text("                              # (the probe saw %.4g V, standard deviation %.2g V)\n", in.Value, in.ValueSD)
	}
	b.text("accuracy = \"50 %%\"             # FILL IN: transformer and burden together, or by tipoff calibrate bombarder\nfloor = \"4 mA\"\n")
}

// rest names in comments what is left.
func (b *benchFile) rest(r *Report) {
	var lines []string
	for i := range r.Chips {
		c := &r.Chips[i]
		var free []string
		for _, in := range c.Inputs {
			if !slices.Contains(b.used, c.Where()+" "+in.Name) {
				free = append(free, in.Name)
			}
		}
		if len(free) > 0 {
			lines = append(lines, strings.TrimRight(fmt.Sprintf("driver %q on %s: %s", c.Driver, c.Where(), strings.Join(free, " ")), ": "))
		}
	}
	for _, k := range []struct {
		driver  string
		devices []KernelDevice
	}{{"iio", r.IIO}, {"hwmon", r.HWMon}} {
		for _, d := range k.devices {
			for _, in := range d.Inputs {
				if !slices.Contains(b.used, d.Path+" "+in.Name) {
					lines = append(lines, fmt.Sprintf("driver %q, address %q, input %q", k.driver, "name:"+d.Name, in.Name))
				}
			}
		}
	}
	for _, s := range r.Serial {
		if s.Use == "" {
			lines = append(lines, "serial port "+s.Path+": a gauge there is described by hand (docs/drivers-serial.md)")
		}
	}
	if len(lines) == 0 {
		return
	}
	b.text("\n# Also found and not used yet:\n")
	for _, l := range lines {
		b.text("#   %s\n", comment(l))
	}
}

// comment keeps a device's own name from ending the comment.
func comment(s string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7F {
			return '?'
		}
		return c
	}, s)
}

func (b *benchFile) sounder(s *Sounder) {
	switch {
	case s == nil:
		b.text("\n# The alarm's output. Try one: tipoff probe --sound GPIO18, or --sound speaker.\n" +
			"# [sounder]\n# driver = \"buzzer\"            # or \"speaker\", \"lamp\": docs/sounders.md\n# line = \"GPIO18\"\n")
	case s.Driver == "speaker":
		b.text("\n[sounder]\ndriver = \"speaker\"\ndevice = %q\n", s.Device)
	default:
		b.text("\n[sounder]\ndriver = %q\nline = %q\nactive_low = %v\n", s.Driver, s.Line, s.ActiveLow)
		if s.Tone > 0 {
			b.text("tone = \"%g Hz\"\n", s.Tone)
		}
	}
}
