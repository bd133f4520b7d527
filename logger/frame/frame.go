// Package frame holds one time-aligned reading of all channels of a bench.
package frame

import (
	"math"
	"time"

	"tipoff/calib"
	"tipoff/calib/gauge"
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

// Purpose is what a contact is for.
type Purpose uint8

// The purposes.
const (
	NoPurpose         Purpose = iota
	Contactor                 // auxiliary contact of the bombarder's contactor
	Stopcock                  // switch on the main stopcock, to the pump: closed while that is shut
	AcknowledgeButton         // acknowledges alarms at the bench
	Torch                     // on the torch's gas valve or its hook: closed while it is in use
)

var purposeNames = [...]string{"", "contactor", "stopcock", "acknowledge", "torch"}

// String is the purpose as bench.toml writes it.
func (p Purpose) String() string { return purposeNames[p] }

// PurposeNamed finds a purpose by its name.
func PurposeNamed(s string) (Purpose, bool) {
	for p, name := range purposeNames {
		if name == s {
			return Purpose(p), true
		}
	}
	return NoPurpose, false
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
	Purpose  Purpose // of a contact
	// Range is what a pressure gauge can indicate, Pa; zero if not known.
	Range gauge.Range
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

// Switch is what a contact tells.
type Switch int8

// The states. A layout without such a contact, and one that is not read, is unknown.
const (
	SwitchUnknown Switch = iota
	SwitchOff
	SwitchOn
)

// Contactor is what the auxiliary contact of the bombarder's contactor tells. On
// does not mean that an arc burns, only that it may: a tube at too high a pressure
// does not strike. Off means that none does.
func (f *Frame) Contactor(l *Layout) Switch { return f.Switch(l, Contactor) }

// Switch is what the first contact with a purpose tells: on while it is closed.
func (f *Frame) Switch(l *Layout, p Purpose) Switch {
	if l.count[Contact] == 0 {
		return SwitchUnknown
	}
	for i := range l.Channels {
		if c := &l.Channels[i]; c.Role != Contact || c.Purpose != p {
			continue
		}
		switch v := f.Readings[i].Value; {
		case !v.Good():
			return SwitchUnknown
		case v.X > 0.5: // the share of the frame for which it was closed
			return SwitchOn
		default:
			return SwitchOff
		}
	}
	return SwitchUnknown
}

// Frame is one time-aligned reading of all channels.
type Frame struct {
	Seq uint64        // counts up by one from the daemon's start
	At  time.Duration // monotonic time of the frame
	// Gas is what heat-conduction gauges were corrected for. GasKnown is false
	// in runs that were recorded before it was stored.
	Gas      gauge.Gas
	GasKnown bool
	Readings [MaxChannels]Reading
}

// Usable is the value of a role, as [Frame.Of] chooses it; NaN if that is not good.
func (f *Frame) Usable(l *Layout, r Role) float64 {
	v := f.Of(l, r)
	if !v.Good() {
		return math.NaN()
	}
	return v.X
}

// Of is the value of role r: that of its channel, or what several channels of
// the role say together. It has quality NoReading if there is none.
//
// Pressure gauges are combined by their uncertainties (weights 1/u²): where one
// knows little it weighs little. Near the ends of its range a gauge gives way to
// the other before it goes over or under range ([gauge.Range.Weight]). So a wide
// and a fine gauge hand over without a step, and by the readings of this frame
// alone, hence without hysteresis. What they differ by beyond their uncertainties
// widens the result's. The quality is that of the one that weighs most.
//
// Of several glass sensors the hottest counts, because it is the one that the
// ceiling is for. For other roles the first good channel counts.
func (f *Frame) Of(l *Layout, r Role) calib.Value {
	i := l.first[r]
	if i < 0 {
		return calib.Value{X: math.NaN(), U: math.NaN(), Q: calib.NoReading}
	}
	if l.count[r] == 1 {
		return f.Readings[i].Value
	}
	if r == Pressure {
		if v, ok := f.combined(l); ok {
			return v
		}
	}
	best := f.Readings[i].Value
	for j := range l.Channels {
		v := f.Readings[j].Value
		if l.Channels[j].Role != r || !v.Good() {
			continue
		}
		if !best.Good() || r == Glass && v.X > best.X {
			best = v
		}
	}
	return best
}

// combined is the weighted mean of the pressure gauges whose uncertainty is
// known; false if none of them counts.
//
// Each has the share that its uncertainty gives it, times how far its range lets
// it count; what that leaves over goes to those that count, whatever their
// uncertainty. So the shares move evenly over the whole of a hand-over, also where
// the fine gauge is a hundred times the better one.
func (f *Frame) combined(l *Layout) (calib.Value, bool) {
	var share, fade [MaxChannels]float64
	var shares, fades float64
	for j := range l.Channels {
		v := f.Readings[j].Value
		if l.Channels[j].Role != Pressure || !v.Good() || !(v.U > 0) {
			continue
		}
		fade[j] = l.Channels[j].Range.Weight(f.Readings[j].Indicated.X)
		fades += fade[j]
		share[j] = 1 / (v.U * v.U)
		shares += share[j]
	}
	if !(fades > 0) {
		return calib.Value{}, false
	}
	left := 1.0
	for j := range l.Channels {
		share[j] *= fade[j] / shares
		left -= share[j]
	}
	var x, most float64
	var q calib.Quality
	for j := range l.Channels {
		if fade[j] == 0 {
			continue
		}
		share[j] += left * fade[j] / fades
		v := f.Readings[j].Value
		x += share[j] * v.X
		if share[j] > most {
			most, q = share[j], v.Q
		}
	}
	var u2, own, apart float64
	for j := range l.Channels {
		if fade[j] > 0 {
			v := f.Readings[j].Value
			u2 += share[j] * share[j] * v.U * v.U
			own += share[j] * v.U * v.U
			apart += share[j] * (v.X - x) * (v.X - x)
		}
	}
	// What they are apart beyond what they claim counts in full.
	return calib.Value{X: x, U: math.Sqrt(u2 + math.Max(0, apart-own)), Q: q}, true
}
