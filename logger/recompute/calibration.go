package recompute

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"tipoff/calib/certificate"
	"tipoff/calib/chain"
	"tipoff/calib/strict"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/logger/config"
	"tipoff/logger/journal"
)

// File is a calibration file as the user gave it: a whole bench.toml, only
// [[channel]] tables with the channel's name and its [channel.calibration], or
// the certificate of one channel.
type File struct {
	Name string // for messages
	Text []byte
}

// Check tells what is wrong with the file that can be told without a run. The
// error is a [*strict.Error] with file and line.
func (f *File) Check() error {
	doc, err := strict.Read(f.Name, f.Text)
	if err != nil {
		return err
	}
	if isCertificate(doc) {
		_, err := f.certificate()
		return err
	}
	tables := doc.Tables("channel")
	if len(tables) == 0 {
		return &strict.Error{File: f.Name, Found: "no [[channel]]", Allowed: "at least one [[channel]] with name and [channel.calibration]"}
	}
	for _, t := range tables {
		if t.OptString("name", "") == "" {
			return &strict.Error{File: f.Name, Line: t.Line(), Key: "channel.name", Found: "nothing", Allowed: "the name of one of the run's channels"}
		}
	}
	return nil
}

// isCertificate tells a certificate, whose channel is a name, from a bench.toml,
// whose channels are tables.
func isCertificate(doc *strict.Doc) bool {
	_, ok := doc.Scalar("channel")
	return ok
}

func (f *File) certificate() (certificate.Certificate, error) {
	c, err := certificate.Parse(f.Name, f.Text)
	if err != nil {
		return c, Wrong{err}
	}
	return c, nil
}

// Wrong is a mistake in what the user gave, for the user to correct. So is any
// [*strict.Error].
type Wrong struct{ Err error }

func (w Wrong) Error() string { return w.Err.Error() }

// Unwrap gives the mistake itself.
func (w Wrong) Unwrap() error { return w.Err }

// hash stands for a calibration text.
func hash(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// filled is a file whose channel tables of only name and calibration have got
// what they lack from the run's bench.toml. Lines are inserted after a table's
// header, and lineOf leads back to the user's own lines.
type filled struct {
	text  []byte
	lines []int // lines[i] is the user's line of line i+1
}

func (f *filled) lineOf(n int) int {
	if n < 1 || n > len(f.lines) {
		return 0
	}
	return f.lines[n-1]
}

// specs are the calibrations that a file gives for the channels of a run.
type specs struct {
	channels map[string]config.Channel           // by name; their lines are the file's
	certs    map[string]*correction              // by channel
	lags     map[string]*certificate.Certificate // time constants, by channel
}

// put adds a certificate, either of values or of a time constant.
func (s *specs) put(c certificate.Certificate, started journal.Anchor) {
	if c.IsLag() {
		if s.lags == nil {
			s.lags = map[string]*certificate.Certificate{}
		}
		s.lags[c.Channel] = &c
		return
	}
	if s.certs == nil {
		s.certs = map[string]*correction{}
	}
	s.certs[c.Channel] = &correction{cert: c, at: started.Wall, ok: started.Trusted}
}

// specs reads the file for a run's bench. A full table of a channel that the
// run does not have is passed over; one that has only name and calibration is a
// mistake.
func (f *File) specs(run *config.Bench, known []drivers.Driver, started journal.Anchor) (specs, error) {
	doc, err := strict.Read(f.Name, f.Text)
	if err != nil {
		return specs{}, err
	}
	if isCertificate(doc) {
		c, err := f.certificate()
		if err != nil {
			return specs{}, err
		}
		i := index(run, c.Channel)
		switch {
		case i < 0:
			return specs{}, &strict.Error{File: f.Name, Line: doc.LineOf("channel"), Key: "channel", Found: strconv.Quote(c.Channel),
				Allowed: "the run's channels: " + strings.Join(names(run), ", ")}
		case run.Channels[i].Role.String() != c.Role:
			return specs{}, &strict.Error{File: f.Name, Line: doc.LineOf("role"), Key: "role", Found: strconv.Quote(c.Role),
				Allowed: strconv.Quote(run.Channels[i].Role.String()) + ", the channel's role in the run"}
		}
		if run.Channels[i].Calibration.Kind != chain.SpecThermocouple && c.IsLag() {
			return specs{}, &strict.Error{File: f.Name, Line: doc.LineOf("channel"), Key: "channel", Found: strconv.Quote(c.Channel),
				Allowed: "a thermocouple channel of the run, as the certificate holds a time constant"}
		}
		var s specs
		s.put(c, started)
		return s, nil
	}
	channels, err := f.tables(doc, run, known)
	return specs{channels: channels}, err
}

// addOwn adds the certificates that were in force when the run was recorded:
// for channels that get no other calibration. One that was made on top of a
// calibration does not belong on another.
func (s *specs) addOwn(m *journal.Meta) error {
	texts, err := split(m.Calibration)
	if err != nil {
		return err
	}
	for _, text := range texts {
		c, err := certificate.Parse("the run's certificate", []byte(text))
		if err != nil {
			return err
		}
		_, other := s.channels[c.Channel]
		if other || !c.IsLag() && s.certs[c.Channel] != nil || c.IsLag() && s.lags[c.Channel] != nil {
			continue
		}
		s.put(c, m.Started)
	}
	return nil
}

// split takes the certificates of a run.toml's calibration_text apart: they
// stand there one after the other, each from its line "version = …" on.
func split(text string) ([]string, error) {
	var all []string
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "version") {
			all = append(all, "")
		}
		switch t := strings.TrimSpace(line); {
		case len(all) > 0:
			all[len(all)-1] += line
		case t != "" && !strings.HasPrefix(t, "#"):
			return nil, fmt.Errorf("run.toml: calibration_text: found %q; allowed: certificates, each beginning with a line \"version = …\"", t)
		}
	}
	return all, nil
}

func (f *File) tables(doc *strict.Doc, run *config.Bench, known []drivers.Driver) (map[string]config.Channel, error) {
	insert := map[int]string{}
	for _, t := range doc.Tables("channel") {
		if t.Has("driver") && t.Has("role") {
			continue
		}
		name := t.OptString("name", "")
		i := index(run, name)
		if i < 0 {
			return nil, &strict.Error{File: f.Name, Line: t.LineOf("name"), Key: "channel.name", Found: strconv.Quote(name),
				Allowed: "the run's channels: " + strings.Join(names(run), ", ")}
		}
		insert[t.Line()] = missingKeys(t, &run.Channels[i])
	}
	var tail strings.Builder
	if !doc.Has("bench") {
		fmt.Fprintf(&tail, "[bench]\nname = %q\nmains = \"%g Hz\"\nmanifold_volume = \"%g m3\"\n", run.Name, run.Mains, run.ManifoldVolume)
	}
	if !doc.Has("store") {
		fmt.Fprintf(&tail, "[store]\ndirectory = %q\n", run.Store.Directory)
	}
	whole := fill(string(f.Text), insert, tail.String())
	cfg, err := config.Parse(f.Name, whole.text, known)
	if err != nil {
		var e *strict.Error
		if errors.As(err, &e) {
			e.Line = whole.lineOf(e.Line)
		}
		return nil, err
	}
	found := map[string]config.Channel{}
	for _, c := range cfg.Channels {
		c.Line = whole.lineOf(c.Line)
		i := index(run, c.Name)
		if i < 0 {
			continue
		}
		if own := run.Channels[i].Role; own != c.Role {
			return nil, &strict.Error{File: f.Name, Line: c.Line, Key: "channel.role", Found: strconv.Quote(c.Role.String()),
				Allowed: strconv.Quote(own.String()) + ", the channel's role in the run"}
		}
		found[c.Name] = c
	}
	if len(found) == 0 {
		return nil, &strict.Error{File: f.Name, Found: "no channel of the run",
			Allowed: "at least one of " + strings.Join(names(run), ", ")}
	}
	return found, nil
}

func index(b *config.Bench, name string) int {
	for i := range b.Channels {
		if b.Channels[i].Name == name {
			return i
		}
	}
	return -1
}

func names(b *config.Bench) []string {
	var all []string
	for _, c := range b.Channels {
		all = append(all, c.Name)
	}
	return all
}

// missingKeys are the lines of a channel's table that t leaves out.
func missingKeys(t *strict.Table, c *config.Channel) string {
	var b strings.Builder
	add := func(key, value string) {
		if value != "" && !t.Has(key) {
			fmt.Fprintf(&b, "%s = %q\n", key, value)
		}
	}
	add("role", c.Role.String())
	add("driver", c.Driver)
	add("bus", c.Bus)
	add("address", c.Address)
	add("input", c.Input)
	for key, value := range c.Options {
		add(key, value)
	}
	return b.String()
}

// fill inserts lines after those of the user's that insert names, and tail at
// the end.
func fill(text string, insert map[int]string, tail string) filled {
	var f filled
	var b strings.Builder
	n := 0
	for line := range strings.Lines(text) {
		n++
		b.WriteString(line)
		f.lines = append(f.lines, n)
		if more := insert[n]; more != "" {
			if !strings.HasSuffix(line, "\n") {
				b.WriteString("\n")
			}
			b.WriteString(more)
			for range strings.Count(more, "\n") {
				f.lines = append(f.lines, n)
			}
		}
	}
	if s := b.String(); tail != "" && s != "" && !strings.HasSuffix(s, "\n") {
		b.WriteString("\n")
	}
	b.WriteString(tail)
	for range strings.Count(tail, "\n") {
		f.lines = append(f.lines, n)
	}
	f.text = []byte(b.String())
	return f
}

// noPorts refuses every port: a device is opened only to hear what its driver
// says of its inputs.
type noPorts struct{}

var errNoPorts = errors.New("a recorded run is recomputed without its devices")

func (noPorts) I2C(string) (i2c.BusCloser, error)  { return nil, errNoPorts }
func (noPorts) SPI(string) (spi.PortCloser, error) { return nil, errNoPorts }
func (noPorts) Pin(string) (gpio.PinIO, error)     { return nil, errNoPorts }

// inputs is what the drivers say of each channel's input.
func inputs(cfg *config.Bench, known []drivers.Driver) ([]chain.Input, error) {
	all := make([]chain.Input, len(cfg.Channels))
	for _, dev := range cfg.Devices() {
		for i := range known {
			if known[i].Name != dev.Config.Driver {
				continue
			}
			src, err := known[i].Open(noPorts{}, clock.NewVirtual(time.Unix(0, 0), 0), dev.Config)
			if err != nil {
				return nil, fmt.Errorf("asking driver %s of its inputs: %w", dev.Config.Driver, err)
			}
			for j, in := range src.Inputs() {
				all[dev.Channels[j]] = config.InputOf(in)
			}
			if err := src.Close(); err != nil {
				return nil, fmt.Errorf("closing %v: %w", src, err)
			}
		}
	}
	return all, nil
}
