// Package frame holds one time-aligned reading of all channels of a bench.
package frame

import (
	"math"
	"time"

	"tipoff/calib"
)

// MaxChannels is how many channels a bench can have. A frame is a fixed-size
// value, so that the path from sample to alarm allocates nothing.
const MaxChannels = 12

// Role is what a channel measures for the process.
type Role uint8

// The roles.
const (
	Pressure Role = iota + 1 // manifold pressure, Pa
	Glass                    // glass wall temperature, °C
	Current                  // bombarder (secondary) current, A, true RMS
	Shell                    // electrode shell temperature, °C
	Ambient                  // room temperature, °C
	Light                    // light from the tube, ratio of full scale
	Contact                  // a switch: 1 closed, 0 open
	roles
)

var roleNames = [...]string{"", "pressure", "glass", "current", "shell", "ambient", "light", "contact"}

// String is the role as bench.toml writes it.
func (r Role) String() string { return roleNames[r] }

// Unit is the unit of the role's values inside tipoff: "Pa", "°C", "A", "".
func (r Role) Unit() string {
	return [...]string{"", "Pa", "°C", "A", "°C", "°C", "", ""}[r]
}

// RoleNamed finds a role by its name.
func RoleNamed(s string) (Role, bool) {
	for r := Pressure; r < roles; r++ {
		if roleNames[r] == s {
			return r, true
		}
	}
	return 0, false
}

// Channel describes one channel of a layout.
type Channel struct {
	Name    string // as in bench.toml, unique
	Role    Role
	Driver  string // "ads1115"
	Device  string // "ADS1115 on /dev/i2c-1 at 0x48"
	Input   string
	Integer bool // Raw is a whole number
	HasAux  bool // Aux holds a cold junction code
	// Optional: the bench can do without it (required = false in bench.toml).
	Optional bool
}

// Layout describes the frames of a bench. It does not change while it runs.
type Layout struct {
	Channels []Channel
	Interval time.Duration // nominal time from frame to frame
	first    [roles]int8   // index of the first channel of each role, -1 if none
	count    [roles]int8   // how many channels have the role
}

// NewLayout makes a layout. It panics with more than MaxChannels channels,
// which the configuration has excluded.
func NewLayout(interval time.Duration, channels []Channel) *Layout {
	if len(channels) > MaxChannels {
		panic("frame: too many channels")
	}
	l := &Layout{Channels: channels, Interval: interval}
	for r := range l.first {
		l.first[r] = -1
	}
	for i := len(channels) - 1; i >= 0; i-- {
		l.first[channels[i].Role] = int8(i)
		l.count[channels[i].Role]++
	}
	return l
}

// Index is the index of the first channel of role r, or -1.
func (l *Layout) Index(r Role) int { return int(l.first[r]) }

// Reading is one channel's part of a frame.
type Reading struct {
	Value     calib.Value // the best value, after corrections for gas and lag
	Indicated calib.Value // the value before those corrections
	Raw       float64     // last raw number of the interval; NaN if none
	Aux       float64     // its second number; NaN if none
	Samples   int32       // raw samples that went into the value
}

// Frame is one time-aligned reading of all channels.
type Frame struct {
	Seq      uint64        // counts up by one from the daemon's start
	At       time.Duration // monotonic time of the frame
	Readings [MaxChannels]Reading
}

// Of is the value of role r: that of its channel, or what several channels of
// the role say together. It has quality NoReading if there is none.
//
// Pressure gauges are combined by their uncertainties (weights 1/u²), so a wide
// and a fine gauge hand over smoothly and without hysteresis: where one knows
// little it weighs little; the quality is that of the one that weighs most. Of several glass sensors the hottest counts, because
// it is the one that the ceiling is for. For other roles the first good channel
// counts.
func (f *Frame) Of(l *Layout, r Role) calib.Value {
	i := l.first[r]
	if i < 0 {
		return calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}
	}
	if l.count[r] == 1 {
		return f.Readings[i].Value
	}
	best := f.Readings[i].Value
	var sum, weights, most float64
	var q calib.Quality
	for j := range l.Channels {
		v := f.Readings[j].Value
		if l.Channels[j].Role != r || !v.Good() {
			continue
		}
		switch {
		case !best.Good(), r == Glass && v.X > best.X:
			best = v
		}
		if r == Pressure && v.U > 0 {
			w := 1 / (v.U * v.U)
			sum += w * v.X
			weights += w
			if w > most {
				most, q = w, v.Q
			}
		}
	}
	if weights > 0 {
		return calib.Value{X: sum / weights, U: 1 / math.Sqrt(weights), Q: q}
	}
	return best
}
