package forward

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tipoff/logger/archive"
	"tipoff/logger/journal"
)

// poison tells answers that speak of these lines from answers that speak of the
// store, the way there, or the right to write, which someone will put right.
func poison(code int) bool {
	switch code {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return true
	}
	return false
}

// retryTime reads Retry-After in seconds; its other form, a date, needs a clock
// that the board may not have.
func retryTime(s string) (time.Duration, bool) {
	n, err := strconv.ParseUint(s, 10, 31)
	return time.Duration(n) * time.Second, err == nil
}

// tagText is what tells the lines of this run from others in the store, ready
// to follow the measurement.
func tagText(e archive.Entry) string {
	var b strings.Builder
	for _, t := range [][2]string{{"bench", e.Bench}, {"run", e.ID}} {
		if t[1] == "" {
			continue
		}
		b.WriteString("," + t[0] + "=")
		for _, r := range t[1] {
			switch {
			case r < ' ' || r == 0x7f || r == '\\':
				r = '_' // has no escape that every store knows
			case r == ' ' || r == ',' || r == '=':
				b.WriteByte('\\')
			}
			b.WriteRune(r)
		}
	}
	return b.String()
}

// addTags appends the lines of a block with tags after the measurement. Lines
// of a block begin with "frame " or "event,"; its seal is left out.
func addTags(b *bytes.Buffer, lines []byte, tags string) {
	for line := range bytes.Lines(lines) {
		end := bytes.IndexAny(line, " ,")
		if end <= 0 || line[0] == '#' {
			continue
		}
		b.Write(line[:end])
		b.WriteString(tags)
		b.Write(line[end:])
	}
}

// state remembers how far each run was sent.
type state struct {
	name string
	runs map[string]position
}

type position struct {
	Block uint64 `json:"block"` // up to and with this one
	Done  bool   `json:"done"`  // the run is sealed and all of it was sent
}

// loadState reads the state. A file that can not be read is put aside, and
// sending begins anew: sending twice does less harm than a gap.
func loadState(name string) (*state, error) {
	s := &state{name: name, runs: make(map[string]position)}
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return nil, fmt.Errorf("forward: reading how far sending came: %w", err)
	}
	if err := json.Unmarshal(text, &s.runs); err != nil || s.runs == nil {
		s.runs = make(map[string]position)
		if err := os.Rename(name, name+".bad"); err != nil {
			return nil, fmt.Errorf("forward: putting a damaged %s aside: %w", name, err)
		}
	}
	return s, nil
}

func (s *state) at(run string) uint64 { return s.runs[run].Block }
func (s *state) done(run string) bool { return s.runs[run].Done }

// keep forgets runs that are no longer in the archive, so that the state does
// not grow for ever. It is saved with the next change.
func (s *state) keep(list []archive.Entry) {
	there := make(map[string]bool, len(list))
	for _, e := range list {
		there[e.ID] = true
	}
	for run := range s.runs {
		if !there[run] {
			delete(s.runs, run)
		}
	}
}

// set remembers a position durably. If that fails the position holds until the
// next start, after which blocks are sent again.
func (s *state) set(run string, block uint64, done bool) error {
	s.runs[run] = position{Block: block, Done: done}
	text, err := json.Marshal(s.runs)
	if err != nil {
		return fmt.Errorf("forward: %w", err)
	}
	err = journal.Replace(s.name, text)
	if err == nil {
		err = journal.OS{}.SyncDir(filepath.Dir(s.name))
	}
	if err != nil {
		return fmt.Errorf("forward: remembering how far sending came: %w", err)
	}
	return nil
}
