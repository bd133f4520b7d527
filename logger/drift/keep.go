package drift

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"time"
	"unicode"
	"unicode/utf8"

	"tipoff/logger/journal"
)

// File is the name of the file that a watch is kept in, so that what was seen on
// some mornings counts although the board is switched off at night.
const File = "drift.json"

const (
	fileVersion = 1
	maxFile     = 1 << 18
	maxText     = 300 // characters
)

type kept struct {
	Version  int           `json:"version"`
	Channels []keptChannel `json:"channels"`
}

type keptChannel struct {
	Name string `json:"channel"`
	Role string `json:"role"`
	// Certificate is the date of the one in force, "" without one.
	Certificate string      `json:"certificate,omitempty"`
	Checks      []keptCheck `json:"checks"`
}

type keptCheck struct {
	Against string  `json:"against"`
	Offset  float64 `json:"offset"`
	U       float64 `json:"u"`
	Strikes int     `json:"strikes"`
	Need    int     `json:"need"`
	Text    string  `json:"text,omitempty"`
	Best    float64 `json:"best,omitempty"`
	BestU   float64 `json:"best_u,omitempty"`
}

func (c *channel) certificateDate() string {
	if c.cert == nil {
		return ""
	}
	return c.cert.Date.Format(time.RFC3339)
}

// Changed tells, once for each change, that there is something new to keep.
func (w *Watch) Changed() bool {
	d := w.dirty
	w.dirty = false
	return d
}

// Encode is what is to be kept.
func (w *Watch) Encode() []byte {
	k := kept{Version: fileVersion, Channels: []keptChannel{}}
	for i := range w.ch {
		c := &w.ch[i]
		one := keptChannel{Name: w.layout.Channels[i].Name, Role: w.layout.Channels[i].Role.String(), Certificate: c.certificateDate()}
		for a := range checks {
			if x := &c.is[a]; x.known || x.bestU > 0 {
				one.Checks = append(one.Checks, keptCheck{a.String(), x.offset, x.u, x.strikes, x.need, x.text, x.best, x.bestU})
			}
		}
		if len(one.Checks) > 0 {
			k.Channels = append(k.Channels, one)
		}
	}
	text, err := json.MarshalIndent(k, "", "  ")
	if err != nil {
		panic("drift: " + err.Error()) // numbers and texts that were checked
	}
	return append(text, '\n')
}

// Decode takes back what Encode gave. What belongs to channels that are no more,
// or to another certificate, is left out. On an error nothing is taken.
func (w *Watch) Decode(text []byte) error {
	if len(text) > maxFile {
		return fmt.Errorf("%d bytes; allowed: %d", len(text), maxFile)
	}
	var k kept
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&k); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows after its end")
	}
	if k.Version != fileVersion {
		return fmt.Errorf("version: found %d; allowed: %d", k.Version, fileVersion)
	}
	for i := range k.Channels {
		for j := range k.Channels[i].Checks {
			if err := k.Channels[i].Checks[j].verify(); err != nil {
				return fmt.Errorf("channel %.40q: %w", k.Channels[i].Name, err)
			}
		}
	}
	for _, one := range k.Channels {
		for i := range w.ch {
			l := &w.layout.Channels[i]
			if l.Name != one.Name || l.Role.String() != one.Role || w.ch[i].certificateDate() != one.Certificate {
				continue
			}
			for _, x := range one.Checks {
				a, _ := named(x.Against)
				w.ch[i].is[a] = check{known: x.U > 0, offset: x.Offset, u: x.U, strikes: x.Strikes, need: x.Need, text: x.Text, said: x.Offset,
					best: x.Best, bestU: x.BestU}
			}
		}
	}
	w.news = true
	return nil
}

func named(s string) (Against, bool) {
	for a := range checks {
		if a.String() == s {
			return a, true
		}
	}
	return 0, false
}

func (x *keptCheck) verify() error {
	const most = 1e9
	wrong := func(key string, found any, allowed string) error {
		return fmt.Errorf("%s: found %.40q; allowed: %s", key, fmt.Sprint(found), allowed)
	}
	if _, ok := named(x.Against); !ok {
		return wrong("against", x.Against, fmt.Sprint(All()))
	}
	switch {
	case math.Abs(x.Offset) > most:
		return wrong("offset", x.Offset, "up to 1e9")
	case x.U < 0 || x.U > most:
		return wrong("u", x.U, "0 to 1e9")
	case x.BestU < 0 || x.BestU > most || math.Abs(x.Best) > most:
		return wrong("best", x.Best, "up to 1e9")
	case x.Strikes > 1e6 || x.Strikes < -1e6:
		return wrong("strikes", x.Strikes, "up to a million")
	case x.Need < 0 || x.Need > Strikes:
		return wrong("need", x.Need, fmt.Sprint("0 to ", Strikes))
	case !utf8.ValidString(x.Text) || utf8.RuneCountInString(x.Text) > maxText:
		return wrong("text", x.Text, fmt.Sprint("a line of at most ", maxText, " characters"))
	}
	for _, r := range x.Text {
		if !unicode.IsPrint(r) {
			return wrong("text", x.Text, "printable characters")
		}
	}
	return nil
}

// Load takes back what [Save] kept in dir; a file that is not there is nothing.
func (w *Watch) Load(dir string) error {
	text, err := os.ReadFile(filepath.Join(dir, File))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = w.Decode(text)
	}
	if err != nil {
		return fmt.Errorf("reading what was seen of drift in %s: %w; it begins anew", filepath.Join(dir, File), err)
	}
	return nil
}

// Save keeps what Encode gave in dir. A power cut leaves the file before or the new one.
func Save(dir string, text []byte) error {
	if err := journal.Replace(filepath.Join(dir, File), text); err != nil {
		return fmt.Errorf("keeping what was seen of drift: %w", err)
	}
	return nil
}
