package learn

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"

	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/observation"
	"tipoff/logger/phase"
	"tipoff/logger/vacuum"
)

// FileName is the file in a run's folder that holds what the run teaches. It is
// made from the record and can be made again.
const FileName = "learned.json"

// method is the version of how a run is read: what an older one wrote is made
// anew.
const method = 2

// Family says which tubes are alike enough that their runs are laid over each
// other: the same gas and glass, and a bore of the same 3 mm class.
type Family struct {
	Gas   string `json:"gas"`
	Glass string `json:"glass"`
	Bore  int    `json:"bore_mm"` // lower end of the class; class is 3 mm wide
}

// boreClass is the width of a family's range of bores, mm.
const boreClass = 3

// String names the family.
func (f Family) String() string {
	return fmt.Sprintf("%s in %s, bore %d to %d mm", f.Gas, f.Glass, f.Bore, f.Bore+boreClass)
}

// Track is how a run went through one phase: means over equal parts of the
// phase's time. NaN where there was no reading.
type Track struct {
	Phase    phase.ID
	Nth      int     // 1: the first time the run was in this phase
	Seconds  float64 // how long it took
	Pressure []float64
	Glass    []float64
	Current  []float64
}

// Burning is an arc at one moment.
type Burning struct {
	Pressure float64 // Pa
	Current  float64 // A
}

// Taught is what one run teaches.
type Taught struct {
	Run          string
	Tube         string
	Family       Family
	LagCorrected bool // the glass readings are corrected for the sensor's lag
	ShellSensor  bool // a sensor was on a shell
	Glows        int  // times at which somebody saw the shells begin to glow
	// Before are the folders, beside the run's, of the earlier parts of one that was broken off.
	Before []string
	// Fit are the constants that fit the run, from the handbook's as prior; nil
	// with the reason in Why.
	Fit *model.Params
	Why string
	RMS float64 // of the glass readings less the fitted model, °C; NaN without a fit
	// Volume, Length and Bore are the tube's, m³ and m; 0: the card does not say.
	Volume, Length, Bore float64
	// Pump is nil if no pump-down with cold gas is in the run.
	Pump *Pump
	// Jumps are those of the pressure when the arc struck in the shut tube.
	Jumps []model.Jump
	// Held is the highest pressure with the arc steadily on, Lost those at which
	// it went out by itself; zero and none if there were none.
	Held   Burning
	Lost   []Burning
	Tracks []Track
}

// stored is a Taught in its file.
type stored struct {
	Format       int           `json:"format"`
	Method       int           `json:"method"`
	Run          string        `json:"run"`
	Tube         string        `json:"tube"`
	Family       Family        `json:"family"`
	LagCorrected bool          `json:"lag_corrected"`
	ShellSensor  bool          `json:"shell_sensor"`
	Glows        int           `json:"glows,omitempty"`
	Before       []string      `json:"before,omitempty"`
	Fit          *model.Params `json:"fit,omitempty"`
	Why          string        `json:"why,omitempty"`
	RMS          float64       `json:"rms_c,omitempty"`
	Volume       float64       `json:"tube_m3,omitempty"`
	Length       float64       `json:"length_m,omitempty"`
	Bore         float64       `json:"bore_m,omitempty"`
	Pump         [][3]float64  `json:"pump,omitempty"`  // see vacuum.Drawn
	Jumps        [][3]float64  `json:"jumps,omitempty"` // see model.Jump
	Held         [2]float64    `json:"held_pa_a"`       // see Burning
	Lost         [][2]float64  `json:"lost_pa_a,omitempty"`
	Tracks       []storedTrack `json:"tracks,omitempty"`
}

type storedTrack struct {
	Phase    string  `json:"phase"`
	Nth      int     `json:"nth"`
	Seconds  float64 `json:"s"`
	Pressure numbers `json:"pa"`
	Glass    numbers `json:"c"`
	Current  numbers `json:"a"`
}

// numbers are written whole, null where there is none.
type numbers []float64

// digits is x with four significant digits: no sensor has more, and what is fresh from a
// record is the same as what was read back.
func digits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', 3, 64), 64)
	if err != nil {
		return math.NaN()
	}
	return y
}

func (n numbers) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, x := range n {
		if i > 0 {
			b = append(b, ',')
		}
		if x != x || math.IsInf(x, 0) {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, x, 'g', -1, 64)
	}
	return append(b, ']'), nil
}

func (n *numbers) UnmarshalJSON(data []byte) error {
	var all []*float64
	if err := json.Unmarshal(data, &all); err != nil {
		return err
	}
	for _, x := range all {
		v := math.NaN()
		if x != nil {
			v = *x
		}
		*n = append(*n, v)
	}
	return nil
}

func (t *Taught) encode() ([]byte, error) {
	s := stored{Format: 1, Method: method, Run: t.Run, Tube: t.Tube, Family: t.Family, LagCorrected: t.LagCorrected,
		ShellSensor: t.ShellSensor, Glows: t.Glows, Before: t.Before, Fit: t.Fit, Why: t.Why, Volume: t.Volume, Length: t.Length, Bore: t.Bore,
		Held: [2]float64{t.Held.Pressure, t.Held.Current}}
	for _, b := range t.Lost {
		s.Lost = append(s.Lost, [2]float64{b.Pressure, b.Current})
	}
	if t.RMS == t.RMS {
		s.RMS = t.RMS
	}
	if t.Pump != nil {
		for _, d := range t.Pump {
			s.Pump = append(s.Pump, [3]float64{d.LogSpeed, d.U, d.Misfit})
		}
	}
	for _, j := range t.Jumps {
		s.Jumps = append(s.Jumps, [3]float64{j.Ratio, j.Wall, j.Hot})
	}
	for i := range t.Tracks {
		k := &t.Tracks[i]
		s.Tracks = append(s.Tracks, storedTrack{k.Phase.String(), k.Nth, k.Seconds, k.Pressure, k.Glass, k.Current})
	}
	b, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("writing what run %s teaches: %w", t.Run, err)
	}
	return append(b, '\n'), nil
}

// errOld: the file was made by another version; it is made again.
var errOld = errors.New("made by another version of tipoff")

// parseTaught reads what encode wrote. What it says is checked, as a damaged
// file must not move a bench's constants.
func parseTaught(data []byte) (*Taught, error) {
	var v struct{ Format, Method int }
	if err := json.Unmarshal(data, &v); err != nil {
		return nil, err
	}
	if v.Format != 1 || v.Method != method {
		return nil, errOld
	}
	var s stored
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return nil, err
	}
	t := &Taught{Run: s.Run, Tube: s.Tube, Family: s.Family, LagCorrected: s.LagCorrected, ShellSensor: s.ShellSensor, Glows: s.Glows, Before: s.Before,
		Fit: s.Fit, Why: s.Why, RMS: math.NaN(), Volume: s.Volume, Length: s.Length, Bore: s.Bore}
	if t.Fit != nil {
		t.RMS = s.RMS
	}
	if !(s.Volume >= 0 && s.Volume < 1) || s.Volume == 0 && len(s.Pump)+len(s.Jumps) > 0 {
		return nil, fmt.Errorf("tube_m3: found %g; allowed: above 0 to 1", s.Volume)
	}
	if len(s.Pump) > 0 {
		if len(s.Pump) != len(volumes) {
			return nil, fmt.Errorf("pump: found %d rows; allowed: %d", len(s.Pump), len(volumes))
		}
		t.Pump = &Pump{}
		for i, d := range s.Pump {
			if !(math.Abs(d[0]) < 30 && d[1] > 1e-6 && d[1] < 30 && math.Abs(d[2]) < 1e9) {
				return nil, fmt.Errorf("pump: found %g in row %d; allowed: logarithm of a speed, uncertainty above 0, misfit", d, i+1)
			}
			t.Pump[i] = vacuum.Drawn{LogSpeed: d[0], U: d[1], Misfit: d[2]}
		}
	}
	for i, j := range s.Jumps {
		if !(j[0] > 0 && j[0] < 100 && j[1] > -100 && j[1] < 2000 && j[2] >= 0 && j[2] < 1e4) {
			return nil, fmt.Errorf("jumps: found %g in row %d; allowed: ratio above 0, glass in °C, K", j, i+1)
		}
		t.Jumps = append(t.Jumps, model.Jump{Ratio: j[0], Wall: j[1], Hot: j[2]})
	}
	for i, x := range append([][2]float64{s.Held}, s.Lost...) {
		none := i == 0 && x == [2]float64{}
		if !none && !(x[0] > 0 && x[0] <= mostHold && x[1] > 0 && x[1] < 100 && s.Length > 0 && s.Length < 100 && s.Bore > 0 && s.Bore < 1) {
			return nil, fmt.Errorf("held_pa_a, lost_pa_a: found %g in a tube of %g m, bore %g m; all must be above 0", x, s.Length, s.Bore)
		}
		if i > 0 {
			t.Lost = append(t.Lost, Burning{x[0], x[1]})
		}
	}
	t.Held = Burning{s.Held[0], s.Held[1]}
	for i := range s.Tracks {
		k := &s.Tracks[i]
		id, ok := phase.Named(k.Phase)
		if !ok || k.Nth < 1 || !(k.Seconds >= 0) || len(k.Pressure) != parts || len(k.Glass) != parts || len(k.Current) != parts {
			return nil, fmt.Errorf("tracks: number %d is not a track of a phase in %d parts", i+1, parts)
		}
		t.Tracks = append(t.Tracks, Track{id, k.Nth, k.Seconds, k.Pressure, k.Glass, k.Current})
	}
	return t, nil
}

// mostHold is more pressure than any bombarder holds, Pa.
const mostHold = 1e5

// load reads what stands beside the run in dir; an error if there is nothing
// that is newer than the run's own description.
func load(dir string) (*Taught, error) {
	path := filepath.Join(dir, FileName)
	made, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if told, err := os.Stat(filepath.Join(dir, "run.toml")); err != nil || made.ModTime().Before(told.ModTime()) {
		return nil, errOld
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	t, err := parseTaught(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	// What was seen teaches too, whatever part of the run it was written down of.
	runs := journal.RunsOf(dir)
	parts := []string{dir}
	for _, name := range t.Before {
		parts = append(parts, filepath.Join(runs, name))
	}
	for _, part := range parts {
		if seen, err := os.Stat(filepath.Join(part, observation.FileName)); err == nil && !made.ModTime().After(seen.ModTime()) {
			return nil, errOld // or of the same tick of the file system's clock
		}
	}
	return t, nil
}

// Save puts t beside the run in dir.
func (t *Taught) Save(dir string) error {
	data, err := t.encode()
	if err != nil {
		return err
	}
	return journal.Replace(filepath.Join(dir, FileName), data)
}
