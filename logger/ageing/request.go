package ageing

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	"golang.org/x/sys/unix"

	"tipoff/calib/strict"
	"tipoff/calib/unit"
)

// RequestFile is where the wanted ageing run is written, in the folder that the
// bench keeps its files in. It goes away when the run has ended.
const RequestFile = "ageing.toml"

// Bounds of what can be asked for.
const (
	LeastEvery, MostEvery = time.Second, time.Minute
	DefaultEvery          = 5 * time.Second
	MostHours             = 200.0
	LeastCurrent          = 1e-3 // A
	MostCurrent           = 0.5  // A
	maxName               = 80   // characters
)

// Request is an ageing run that somebody wants.
type Request struct {
	Tube    string        // name on the tube's card
	Run     string        // the run that processed it; "" not said
	Current float64       // A that it is to run at; 0 not said
	Every   time.Duration // from frame to frame
	Hours   float64       // after which it ends; 0: until it is ended
	// Channel is the current channel of the tube's supply; "" the bench's first.
	Channel string
	// Done is how many hours had burnt when the daemon last wrote the file: after a
	// power cut a new run goes on with what is left.
	Done float64
}

// ParseRequest reads the text of a request. file is its name for messages.
func ParseRequest(file string, data []byte) (Request, error) {
	doc, err := strict.Read(file, data)
	if err != nil {
		return Request{}, err
	}
	r := Request{
		Tube: doc.OptString("tube", ""), Run: doc.OptString("run", ""), Channel: doc.OptString("channel", ""),
		Current: doc.OptQuantity("current", unit.Current, LeastCurrent, MostCurrent, 0),
		Hours:   doc.OptFloat("hours", 0, MostHours, 0),
		Done:    doc.OptFloat("done_hours", 0, MostHours, 0),
	}
	every := doc.OptQuantity("every", unit.Duration, LeastEvery.Seconds(), MostEvery.Seconds(), DefaultEvery.Seconds())
	r.Every = time.Duration(every * float64(time.Second)).Round(100 * time.Millisecond)
	for _, f := range []struct{ key, text string }{{"tube", r.Tube}, {"run", r.Run}, {"channel", r.Channel}} {
		if len([]rune(f.text)) > maxName || strings.ContainsFunc(f.text, func(c rune) bool { return c < ' ' || c == 0x7f }) {
			doc.WrongValue(f.key, fmt.Sprintf("at most %d characters, none of them a control character", maxName))
		}
	}
	if r.Tube == "" && r.Run == "" {
		doc.Wrong("tube", "neither tube nor run", "the tube's name, the run that processed it, or both")
	}
	if err := doc.Finish(); err != nil {
		return Request{}, err
	}
	return r, nil
}

// written is a request as the file has it.
type written struct {
	Tube    string  `toml:"tube,omitempty" comment:"name on the tube's card"`
	Run     string  `toml:"run,omitempty" comment:"the run that processed it"`
	Current string  `toml:"current,omitempty" comment:"that it is to run at"`
	Every   string  `toml:"every" comment:"from recorded frame to frame"`
	Hours   float64 `toml:"hours,omitempty" comment:"after which it ends; 0 or nothing: until it is ended"`
	Channel string  `toml:"channel,omitempty" comment:"current channel of the tube's supply; the first if not said"`
	Done    float64 `toml:"done_hours,omitempty" comment:"burnt so far, written by tipoff"`
}

// Encode is the text of the file.
func (r *Request) Encode() ([]byte, error) {
	w := written{Tube: r.Tube, Run: r.Run, Every: unit.Exact(r.Every.Seconds(), unit.Duration), Hours: r.Hours, Channel: r.Channel, Done: r.Done}
	if r.Current > 0 {
		w.Current = unit.Exact(r.Current, unit.Current)
	}
	var b bytes.Buffer
	b.WriteString("# An ageing run that tipoff records. Take the file away to end it.\n")
	if err := toml.NewEncoder(&b).Encode(w); err != nil {
		return nil, fmt.Errorf("writing the ageing run that is wanted: %w", err)
	}
	return b.Bytes(), nil
}

// Left is how long it has still to burn, and whether there is an end.
func (r *Request) Left() (time.Duration, bool) {
	if r.Hours <= 0 {
		return 0, false
	}
	return time.Duration(max(0, r.Hours-r.Done) * float64(time.Hour)), true
}

// ErrBusy: another ageing run goes on.
var ErrBusy = errors.New("an ageing run goes on already; end it first")

// ErrLocked: another process is writing the request this moment.
var ErrLocked = errors.New("another process is at the ageing run that is wanted")

// locked does f while no other process looks at the folder's request and changes it. With
// wait it waits its turn, else it fails with [ErrLocked].
func locked(folder string, wait bool, f func() error) error {
	d, err := os.Open(folder)
	if err != nil {
		return fmt.Errorf("looking for the ageing run that is wanted: %w", err)
	}
	defer d.Close() // which unlocks
	how := unix.LOCK_EX
	if !wait {
		how |= unix.LOCK_NB
	}
	for {
		switch err := unix.Flock(int(d.Fd()), how); {
		case errors.Is(err, unix.EINTR):
			continue
		case errors.Is(err, unix.EWOULDBLOCK):
			return ErrLocked
		case err != nil:
			return fmt.Errorf("locking %s: %w", folder, err)
		}
		return f()
	}
}

// Ask writes a request into the bench's folder. It fails with [ErrBusy] if there is
// one.
func Ask(folder string, r Request) error {
	return locked(folder, true, func() error {
		if _, err := os.Stat(filepath.Join(folder, RequestFile)); err == nil {
			return ErrBusy
		}
		return Put(folder, r)
	})
}

// Note puts r in the place of the request in the bench's folder if that is still the one of
// the run being recorded, as is tells of what is there; one that cannot be read is taken
// for it. It does not wait: it fails with [ErrLocked] if another process is at it.
func Note(folder string, r Request, is func(Request) bool) error {
	return ifStill(folder, is, func() error { return Put(folder, r) })
}

// Finish takes the request away if it is still that of the run being recorded, as
// [Note] does it.
func Finish(folder string, is func(Request) bool) error {
	return ifStill(folder, is, func() error { return remove(folder) })
}

func ifStill(folder string, is func(Request) bool, do func() error) error {
	return locked(folder, false, func() error {
		r, err := Wanted(folder)
		if errors.Is(err, ErrNone) || err == nil && !is(r) {
			return nil // it has been ended meanwhile, and another asked for maybe
		}
		return do()
	})
}

// Put writes the request, in the place of one that is there. Readers see the old one
// or the whole new one. It is not synced, as the bench must not wait for a disk here:
// after a power cut it may be the old one, or damaged, which [Wanted] tells.
func Put(folder string, r Request) error {
	text, err := r.Encode()
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(folder, ".ageing-*")
	if err != nil {
		return fmt.Errorf("asking for an ageing run: %w", err)
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(folder, RequestFile))
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return fmt.Errorf("asking for an ageing run: %w", err)
	}
	return nil
}

// ErrNone: no ageing run goes on.
var ErrNone = errors.New("no ageing run goes on")

// End takes the request away, which ends the run.
func End(folder string) error {
	return locked(folder, true, func() error { return remove(folder) })
}

func remove(folder string) error {
	err := os.Remove(filepath.Join(folder, RequestFile))
	if errors.Is(err, os.ErrNotExist) {
		return ErrNone
	}
	if err != nil {
		return fmt.Errorf("ending the ageing run: %w", err)
	}
	return nil
}

// Wanted is the request in the bench's folder; [ErrNone] if there is none.
func Wanted(folder string) (Request, error) {
	path := filepath.Join(folder, RequestFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return Request{}, ErrNone
	}
	if err != nil {
		return Request{}, fmt.Errorf("reading the ageing run that is wanted: %w", err)
	}
	return ParseRequest(path, text)
}
