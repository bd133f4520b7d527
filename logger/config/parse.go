package config

import (
	"math"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"tipoff/calib/reference"
	"tipoff/calib/strict"
	"tipoff/calib/unit"
	"tipoff/drivers"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
)

// Ranges of what a bench can be; they catch a slipped digit or unit.
const (
	minManifold, maxManifold   = 10e-6, 20e-3 // m³
	minPumpSpeed, maxPumpSpeed = 10e-6, 50e-3 // m³/s
	minOpen, maxOpen           = 1000.0, 30e3 // V
	minCurrent, maxCurrent     = 50e-3, 5.0   // A
	minAltitude, maxAltitude   = -400.0, 5500 // m
	nameLength                 = 40           // characters of names
	defaultListen              = "127.0.0.1:8077"
	maxSounders                = 8
)

// roleMax is how many channels of a role a bench may have. The first of a role
// is the one that phases and limits go by.
var roleMax = map[frame.Role]int{
	frame.Pressure: 2, frame.Glass: 4, frame.Current: 2, frame.Shell: 2,
	frame.Ambient: 1, frame.Light: 2, frame.Contact: 4,
}

// Parse reads bench.toml. file is its name for messages; known are the drivers
// that channels may name. The error is the first mistake in the file, of type
// [*strict.Error].
//
// To check addresses, options and calibrations Parse opens each device without
// ports, which touches no hardware, and closes it again. A driver that reads a
// file (a recorded trace) reads it.
func Parse(file string, data []byte, known []drivers.Driver) (*Bench, error) {
	d, err := strict.Read(file, data)
	if err != nil {
		return nil, err
	}
	b := &Bench{Page: Page{Listen: defaultListen}}
	b.plant(d.Table.Table("bench"))
	b.Store.Directory = d.Table.Table("store").String("directory")
	if t := d.OptTable("page"); t != nil {
		b.Page.Listen = listen(t)
	}
	if t := d.OptTable("forward"); t != nil {
		b.Forward = forward(t)
	}
	for i, t := range d.OneOrMore("sounder") {
		if i == maxSounders {
			t.Wrong("", "sounder number "+strconv.Itoa(i+1), "at most "+strconv.Itoa(maxSounders)+" sounders")
		}
		s := sounder(t)
		for _, o := range b.Sounders {
			if s.Line != "" && s.Line == o.Line {
				t.WrongValue("line", "a line of its own")
			}
			if s.Driver == "speaker" && s.Driver == o.Driver && s.Device == o.Device {
				t.Wrong("device", "the device of another speaker", "a device of its own")
			}
		}
		b.Sounders = append(b.Sounders, *s)
	}
	b.Tables = envelope.ReadTables(d.Table)
	p := &parser{bench: b, known: known, tables: d.Tables("channel"), counts: map[frame.Role]int{}}
	if len(p.tables) == 0 {
		d.Wrong("channel", "no channel", "at least one [[channel]]")
	}
	for i, t := range p.tables {
		if i == frame.MaxChannels {
			t.Wrong("", "channel number "+strconv.Itoa(i+1), "at most "+strconv.Itoa(frame.MaxChannels)+" channels")
		}
		p.channel(t)
	}
	if err := d.Finish(); err != nil {
		return nil, err
	}
	p.tryDevices()
	if err := d.Finish(); err != nil {
		return nil, err
	}
	return b, nil
}

// plant reads [bench].
func (b *Bench) plant(t *strict.Table) {
	b.Name = name(t)
	b.Mains = t.Quantity("mains", unit.Frequency, 50, 60)
	if b.Mains != 0 && b.Mains != 50 && b.Mains != 60 {
		t.WrongValue("mains", `"50 Hz" or "60 Hz"`)
	}
	b.ManifoldVolume = t.Quantity("manifold_volume", unit.Volume, minManifold, maxManifold)
	b.PumpSpeed = t.OptQuantity("pump_speed", unit.VolumeRate, minPumpSpeed, maxPumpSpeed, 0)
	b.OpenCircuit = t.OptQuantity("open_circuit", unit.Voltage, minOpen, maxOpen, 0)
	b.MaxCurrent = t.OptQuantity("max_current", unit.Current, minCurrent, maxCurrent, 0)
	if h := t.OptQuantity("altitude", unit.Length, minAltitude, maxAltitude, math.NaN()); h == h {
		b.RoomPressure, _ = reference.StandardPressure(h) // within its range
	}
}

// name reads a name, which ends up in file names, labels and addresses.
func name(t *strict.Table) string {
	s := t.String("name")
	for i, r := range s {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		if !letter && (i == 0 || r != '-' && r != '_') || i >= nameLength {
			t.WrongValue("name", "1 to 40 of the characters a–z, A–Z, 0–9, - and _, beginning with a letter or digit")
			return ""
		}
	}
	return s
}

func listen(t *strict.Table) string {
	s := t.OptString("listen", defaultListen)
	_, port, err := net.SplitHostPort(s)
	if n, e := strconv.ParseUint(port, 10, 16); err != nil || e != nil || n == 0 {
		t.WrongValue("listen", `an address and port such as "127.0.0.1:8077", or ":8077" for all of this machine's addresses`)
	}
	return s
}

func forward(t *strict.Table) *Forward {
	f := &Forward{
		URL:       t.String("url"),
		TokenFile: t.OptString("token_file", ""),
	}
	if u, err := url.Parse(f.URL); f.URL != "" && (err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https") {
		t.WrongValue("url", `an address such as "https://store.example/api/v2/write?bucket=tubes"`)
	} else if f.URL != "" && u.User != nil {
		t.Wrong("url", "a user name in the address", "an address without one; a token goes into token_file")
	}
	return f
}

// sounder reads the alarm's output. Each kind has keys of its own; one that does
// not fit its kind is a mistake, not something to pass over.
func sounder(t *strict.Table) *Sounder {
	s := &Sounder{Driver: t.String("driver", "buzzer", "speaker", "lamp")}
	all := []string{"line", "active_low", "device", "level", "flash", "steady", "tone"}
	t.Known(all...)
	fits := map[string][]string{
		"buzzer":  {"line", "active_low", "steady", "tone"},
		"lamp":    {"line", "active_low", "flash"},
		"speaker": {"device", "level"},
	}[s.Driver]
	for _, key := range t.Keys() {
		if fits != nil && slices.Contains(all, key) && !slices.Contains(fits, key) {
			t.Wrong(key, "a key that a "+s.Driver+" does not have", "for a "+s.Driver+": "+strings.Join(fits, ", "))
		}
	}
	if s.Driver == "speaker" {
		s.Device = t.OptString("device", "auto")
		s.Level = t.OptQuantity("level", unit.Ratio, 0.01, 1, 0.8)
		return s
	}
	s.Line = t.String("line")
	s.ActiveLow = t.OptBool("active_low", false)
	s.Flash = t.OptBool("flash", false)
	s.Steady = t.OptBool("steady", false)
	s.Tone = t.OptQuantity("tone", unit.Frequency, 100, 20000, 0)
	return s
}
