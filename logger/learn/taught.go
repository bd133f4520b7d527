package learn

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"tipoff/logger/journal"
	"tipoff/logger/model"
	"tipoff/logger/phase"
)

// FileName is the file in a run's folder that holds what the run teaches. It is
// made from the record and can be made again.
const FileName = "learned.json"

// method is the version of how a run is read: what an older one wrote is made
// anew.
const method = 1

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

// Pump is what the first pump-down of a run shows: the rate at which the
// pressure falls, 1/s, with its standard uncertainty, and the volume of the tube
// that was pumped with the manifold, m³.
type Pump struct {
	Rate   float64 `json:"rate"`
	U      float64 `json:"u"`
	Volume float64 `json:"tube_volume"`
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

// Taught is what one run teaches.
type Taught struct {
	Run          string
	Tube         string
	Family       Family
	LagCorrected bool // the glass readings are corrected for the sensor's lag
	ShellSensor  bool // a sensor was on a shell
	// Fit are the constants that fit the run, from the handbook's as prior; nil
	// with the reason in Why.
	Fit *model.Params
	Why string
	RMS float64 // of the glass readings less the fitted model, °C; NaN without a fit
	// Pump is nil if no pump-down with cold gas is in the run.
	Pump *Pump
	// Held is the highest pressure times length with the arc steadily on, Lost
	// those at which it went out by itself, Pa·m; 0 and none if there were none.
	Held   float64
	Lost   []float64
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
	Fit          *model.Params `json:"fit,omitempty"`
	Why          string        `json:"why,omitempty"`
	RMS          float64       `json:"rms_c,omitempty"`
	Pump         *Pump         `json:"pump,omitempty"`
	Held         float64       `json:"held_pa_m,omitempty"`
	Lost         []float64     `json:"lost_pa_m,omitempty"`
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

// numbers are written with four digits, null where there is none.
type numbers []float64

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
		b = fmt.Appendf(b, "%.4g", x)
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
		ShellSensor: t.ShellSensor, Fit: t.Fit, Why: t.Why, Pump: t.Pump, Held: t.Held, Lost: t.Lost}
	if t.RMS == t.RMS {
		s.RMS = t.RMS
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
	t := &Taught{Run: s.Run, Tube: s.Tube, Family: s.Family, LagCorrected: s.LagCorrected, ShellSensor: s.ShellSensor,
		Fit: s.Fit, Why: s.Why, RMS: math.NaN(), Pump: s.Pump, Held: s.Held, Lost: s.Lost}
	if t.Fit != nil {
		t.RMS = s.RMS
	}
	if p := s.Pump; p != nil && !(p.Rate > 0 && p.Rate < 1e3 && p.U > 0 && p.Volume > 0 && p.Volume < 1) {
		return nil, fmt.Errorf("pump: found rate %g, uncertainty %g, volume %g; all must be above 0", p.Rate, p.U, p.Volume)
	}
	if s.Held < 0 || s.Held > mostHold {
		return nil, fmt.Errorf("held_pa_m: found %g; allowed: 0 to %g", s.Held, mostHold)
	}
	for _, x := range s.Lost {
		if !(x > 0 && x <= mostHold) {
			return nil, fmt.Errorf("lost_pa_m: found %g; allowed: above 0 to %g", x, mostHold)
		}
	}
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

// mostHold is more pressure times length than any bombarder holds, Pa·m.
const mostHold = 1e6

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
