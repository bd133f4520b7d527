// Package observation holds what people see of a tube after its run: it snakes,
// its ends are dark, it failed in the second winter. Observations are kept in a
// file of their own in the run's folder, observations.toml, because the record
// itself is never changed, and they are set against what the runs did.
package observation

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"golang.org/x/sys/unix"

	"tipoff/calib/strict"
	"tipoff/logger/journal"
)

// Kind is what was seen.
type Kind string

// The kinds, in the words of the trade (trade.md 7).
const (
	Good        Kind = "good"         // nothing to find fault with: a run to measure others by
	Snaking     Kind = "snaking"      // the column moves or swirls
	DarkEnds    Kind = "dark-ends"    // sputtered metal or dark zones at the electrodes
	Colour      Kind = "colour"       // not the colour of its gas
	Stain       Kind = "stain"        // brown or grey on glass or coating
	SlowStart   Kind = "slow-start"   // strikes late or at too high a voltage
	CrackedTip  Kind = "cracked-tip"  // the sealed tubulation cracked
	Cracked     Kind = "cracked"      // the tube cracked elsewhere
	FailedLater Kind = "failed-later" // went out in use
	Other       Kind = "other"        // the note says what
	// Glow is of the run and not of its tube: the moment at which the shells were first
	// seen to glow, a dull red.
	Glow Kind = "shells-glow"
)

// Kinds are all kinds, as choices are shown.
func Kinds() []Kind {
	return []Kind{Good, Snaking, DarkEnds, Colour, Stain, SlowStart, CrackedTip, Cracked, FailedLater, Other, Glow}
}

// Words is the kind as a person reads it.
func (k Kind) Words() string {
	if k == FailedLater {
		return "failed later"
	}
	return strings.ReplaceAll(string(k), "-", " ")
}

// Fault tells whether the kind is a fault of the tube.
func (k Kind) Fault() bool { return k != Good && k != Other && k != Glow }

// OfTube tells whether it says something of the tube.
func (k Kind) OfTube() bool { return k != Glow }

func (k Kind) known() bool {
	for _, x := range Kinds() {
		if k == x {
			return true
		}
	}
	return false
}

// Observation is one thing somebody saw.
type Observation struct {
	Kind  Kind
	At    time.Time // when it was written down
	By    string
	Hours float64 // hours of use until then; 0 not known
	Note  string
	// Into is the moment that it is of, s after the run's begin, in the file after the
	// begin of the record beside which it is; 0 of none.
	Into float64
	// Withdrawn is when it was taken back; zero if it stands. What was once
	// written is not deleted.
	Withdrawn time.Time
}

// Stands tells whether it has not been taken back.
func (o *Observation) Stands() bool { return o.Withdrawn.IsZero() }

// FileName is the file in a run's folder.
const FileName = "observations.toml"

// Bounds of what is taken.
const (
	MaxNote  = 500    // characters
	MaxBy    = 60     // characters
	MaxHours = 200000 // some twenty years of burning
	MaxInto  = 86400  // s, longer than any run takes
	maxCount = 200    // of one run
)

// wrong is what is wrong with an observation.
type wrong struct{ key, found, allowed string }

func (w *wrong) Error() string { return w.key + ": found " + w.found + "; allowed: " + w.allowed }

// Check tells what is wrong with an observation that a person gave, in one
// line with what was found and what is allowed.
func (o *Observation) Check() error {
	if w := o.check(); w != nil {
		return w
	}
	return nil
}

func (o *Observation) check() *wrong {
	long := func(s string) string { return fmt.Sprintf("%d characters", utf8.RuneCountInString(s)) }
	switch {
	case !o.Kind.known():
		names := make([]string, 0, len(Kinds()))
		for _, k := range Kinds() {
			names = append(names, string(k))
		}
		return &wrong{"kind", strconv.Quote(string(o.Kind)), strict.OneOf(names)}
	case utf8.RuneCountInString(o.Note) > MaxNote:
		return &wrong{"note", long(o.Note), fmt.Sprintf("at most %d", MaxNote)}
	case utf8.RuneCountInString(o.By) > MaxBy:
		return &wrong{"by", long(o.By), fmt.Sprintf("at most %d", MaxBy)}
	case !(o.Hours >= 0 && o.Hours <= MaxHours):
		return &wrong{"hours", fmt.Sprint(o.Hours), fmt.Sprintf("0 to %d", MaxHours)}
	case o.Kind == Other && strings.TrimSpace(o.Note) == "":
		return &wrong{"note", "nothing", `for "other" a few words of what was seen`}
	case o.Kind == Glow && !(o.Into > 0 && o.Into <= MaxInto):
		return &wrong{"into", fmt.Sprintf("%g s", o.Into), fmt.Sprintf("for %q the moment, above 0 to %d s after the run's begin", Glow, MaxInto)}
	case o.Kind != Glow && o.Into != 0:
		return &wrong{"into", fmt.Sprintf("%g s", o.Into), fmt.Sprintf("nothing but for %q", Glow)}
	case !plain(o.Note):
		return &wrong{"note", "control characters", "plain text"}
	case !plain(o.By):
		return &wrong{"by", "control characters", "plain text"}
	}
	return nil
}

func plain(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' || r == 0x7f })
}

// Load reads the observations in the file in dir alone, oldest first; none if there
// is no file. [Of] are those of the run.
func Load(dir string) ([]Observation, error) {
	name := filepath.Join(dir, FileName)
	data, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading observations: %w", err)
	}
	return Parse(name, data)
}

// Parse reads the text of an observations.toml. file is its name for messages.
func Parse(file string, data []byte) ([]Observation, error) {
	doc, err := strict.Read(file, data)
	if err != nil {
		return nil, err
	}
	var list []Observation
	for _, t := range doc.Tables("observation") {
		o := Observation{
			Kind: Kind(t.String("kind")), At: timeOf(t, "at", t.String("at")), By: t.OptString("by", ""),
			Hours: t.OptFloat("hours", 0, MaxHours, 0), Note: t.OptString("note", ""), Into: t.OptFloat("into_s", 0, MaxInto, 0),
		}
		if s := t.OptString("withdrawn", ""); s != "" {
			o.Withdrawn = timeOf(t, "withdrawn", s)
		}
		if err := o.check(); err != nil {
			t.Wrong(err.key, err.found, err.allowed)
		}
		list = append(list, o)
	}
	if err := doc.Finish(); err != nil {
		return nil, err
	}
	return list, nil
}

func timeOf(t *strict.Table, key, text string) time.Time {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil && text != "" {
		t.WrongValue(key, `a time such as "2026-11-25T14:30:00Z"`)
	}
	return at.UTC()
}

// stored is an observation as the file has it.
type stored struct {
	Kind      Kind    `toml:"kind"`
	At        string  `toml:"at" comment:"when it was written down"`
	By        string  `toml:"by,omitempty"`
	Hours     float64 `toml:"hours,omitempty" comment:"of use until then"`
	Note      string  `toml:"note,omitempty"`
	Into      float64 `toml:"into_s,omitempty" comment:"the moment that it is of, from the run's begin"`
	Withdrawn string  `toml:"withdrawn,omitempty" comment:"when it was taken back"`
}

// Encode is the text of the file.
func Encode(list []Observation) ([]byte, error) {
	out := make([]stored, len(list))
	for i, o := range list {
		out[i] = stored{Kind: o.Kind, At: o.At.Format(time.RFC3339), By: o.By, Hours: o.Hours, Note: o.Note, Into: o.Into}
		if !o.Stands() {
			out[i].Withdrawn = o.Withdrawn.Format(time.RFC3339)
		}
	}
	var b bytes.Buffer
	b.WriteString("# What was seen of this run's tube afterwards. tipoff adds to this file.\n")
	err := toml.NewEncoder(&b).Encode(struct {
		Observation []stored `toml:"observation"`
	}{out})
	return b.Bytes(), err
}

// add writes o, which was checked, into the file in dir.
func add(dir string, o Observation) error {
	o.At = o.At.UTC().Truncate(time.Second)
	return change(dir, func(list []Observation) ([]Observation, error) {
		if len(list) >= maxCount {
			return nil, fmt.Errorf("the run has %d observations already", maxCount)
		}
		return append(list, o), nil
	})
}

// ErrNone: there is no such observation that stands.
var ErrNone = errors.New("no such observation")

func none(n, of int) error {
	return fmt.Errorf("observation %d: %w that stands; the run has %d", n, ErrNone, of)
}

// withdraw takes back the observation that is number n of the run's.
func withdraw(o placed, n, of int, at time.Time) error {
	return change(o.dir, func(list []Observation) ([]Observation, error) {
		if o.no > len(list) || !list[o.no-1].Stands() {
			return nil, none(n, of)
		}
		list[o.no-1].Withdrawn = at.UTC().Truncate(time.Second)
		return list, nil
	})
}

func change(dir string, edit func([]Observation) ([]Observation, error)) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("writing an observation: %w", err)
	}
	defer d.Close()
	if err := unix.Flock(int(d.Fd()), unix.LOCK_EX); err != nil {
		return fmt.Errorf("writing an observation: locking %s: %w", dir, err)
	}
	list, err := Load(dir)
	if err != nil {
		return err
	}
	if list, err = edit(list); err != nil {
		return err
	}
	data, err := Encode(list)
	if err != nil {
		return fmt.Errorf("writing an observation: %w", err)
	}
	if err := journal.Replace(filepath.Join(dir, FileName), data); err != nil {
		return fmt.Errorf("writing an observation: %w", err)
	}
	if err := d.Sync(); err != nil {
		return fmt.Errorf("writing an observation: %w", err)
	}
	return nil
}
