package page

import (
	"errors"
	"io"
	"net/http"

	"tipoff/logger/ageing"
	"tipoff/logger/journal"
	"tipoff/logger/status"
)

// Ager records ageing runs; a running bench is one. A source that is not, such as one
// that plays a trace, offers none.
type Ager interface {
	// Age asks for the ageing run in the TOML text.
	Age(text []byte) error
	// EndAgeing ends the one that goes on.
	EndAgeing() error
}

const noAger = "this bench records no ageing runs"

func (s *site) age(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 4<<10))
	if err != nil {
		http.Error(w, "what is asked for has at most 4 kB", http.StatusRequestEntityTooLarge)
		return
	}
	a, ok := s.src.(Ager)
	if !ok {
		http.Error(w, noAger, http.StatusConflict)
		return
	}
	s.aged(w, a.Age(text))
}

func (s *site) endAge(w http.ResponseWriter, r *http.Request) {
	a, ok := s.src.(Ager)
	if !ok {
		http.Error(w, noAger, http.StatusConflict)
		return
	}
	s.aged(w, a.EndAgeing())
}

func (s *site) aged(w http.ResponseWriter, err error) {
	switch {
	case err == nil:
		w.WriteHeader(http.StatusNoContent)
	case errors.Is(err, ageing.ErrBusy), errors.Is(err, ageing.ErrNone):
		http.Error(w, err.Error(), http.StatusConflict)
	default:
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
	}
}

// isAgeing tells whether a run is an ageing run, which has another chart.
func (s *site) isAgeing(id string) bool {
	m, err := journal.LoadMeta(s.archive.RunDir(id))
	return err == nil && ageing.Is(m)
}

type wireAgeing struct {
	Active  bool   `json:"active"`
	ID      string `json:"id"`
	Tube    string `json:"tube"`
	BurntS  num    `json:"burnt_s"`
	Hours   num    `json:"hours"` // 0: until it is ended
	Wanted  num    `json:"wanted_ma"`
	Dark    bool   `json:"dark"`
	Dim     bool   `json:"dim"` // it burns, and its light has collapsed
	Trouble string `json:"trouble"`
}

func ageingOf(s *status.Snapshot) wireAgeing {
	a := &s.Ageing
	out := wireAgeing{a.Active, a.ID, a.Tube, seconds(a.Burnt), num(a.Hours), num(1000 * a.Wanted), a.Dark, a.Dim, a.Trouble}
	if a.Active && out.Tube == "" {
		out.Tube = "of run " + a.Of
	}
	return out
}
