package config

import (
	"tipoff/calib/chain"
	"tipoff/drivers"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
)

// Bench is a bench as bench.toml describes it, checked. SI units; 0: the file
// does not say.
type Bench struct {
	Name           string
	Mains          float64 // Hz, 50 or 60
	ManifoldVolume float64 // m³
	PumpSpeed      float64 // m³/s, 0 unknown
	OpenCircuit    float64 // bombarder's open-circuit voltage, V rms, 0 unknown
	MaxCurrent     float64 // what the bombarder can give, A, 0 unknown
	RoomPressure   float64 // of the standard atmosphere at the bench's altitude, Pa, 0 unknown
	Store          Store
	Page           Page
	Forward        *Forward // nil: none
	Channels       []Channel
	Sounders       []Sounder        // none: the page only
	Tables         *envelope.Tables // the bench's own over the program's; nil: none
}

// Store says where runs are kept.
type Store struct {
	Directory string
}

// Page says where the bench page is served.
type Page struct {
	Listen string // "127.0.0.1:8077"
}

// Forward says where readings are sent as well.
type Forward struct {
	URL       string
	TokenFile string // "" none
}

// Sounder is one output of the alarm.
type Sounder struct {
	Driver    string  // "buzzer", "speaker" or "lamp"
	Line      string  // of a buzzer or lamp: "GPIO18"
	ActiveLow bool    // the line is low while it is on
	Flash     bool    // of a lamp
	Steady    bool    // of a buzzer: without pulses
	Tone      float64 // of a buzzer on a PWM output, Hz; 0: it has its own
	Device    string  // of a speaker: "/dev/snd/…" or "auto"
	Level     float64 // of a speaker: peak, share of full scale
}

// Channel is one measured quantity.
type Channel struct {
	Name     string
	Role     frame.Role
	Driver   string
	Bus      string
	Address  string
	Input    string
	Purpose  frame.Purpose     // of a contact
	Required bool              // the bench is not fit for work without it
	Options  map[string]string // driver options by key; true and false are "yes" and "no"
	// Calibration is kind and parameters for chain.New.
	Calibration chain.Spec
	Line        int // line of the [[channel]] in the file
}

// Device is one device and the channels that it serves.
type Device struct {
	Config   drivers.Config
	Channels []int // Channels[i] is the index in Bench.Channels of Config.Inputs[i]
}

// Devices groups the channels by driver, bus and address, in the order of the
// file. Channels are complete: Parse has filled in default addresses.
func (b *Bench) Devices() []Device {
	var devices []Device
channels:
	for i, c := range b.Channels {
		in := drivers.InputConfig{Input: c.Input, Options: c.Options}
		for k := range devices {
			d := &devices[k]
			if d.Config.Driver == c.Driver && d.Config.Bus == c.Bus && d.Config.Address == c.Address {
				d.Config.Inputs = append(d.Config.Inputs, in)
				d.Channels = append(d.Channels, i)
				continue channels
			}
		}
		devices = append(devices, Device{
			Config: drivers.Config{
				Driver: c.Driver, Bus: c.Bus, Address: c.Address, Mains: b.Mains,
				Inputs: []drivers.InputConfig{in},
			},
			Channels: []int{i},
		})
	}
	return devices
}
