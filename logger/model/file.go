package model

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
)

// stored is a Params in a file. The order names the constants, so that a later
// version with others does not take one for another.
type stored struct {
	Order []string    `json:"order"`
	Theta []float64   `json:"theta"`
	Cov   [][]float64 `json:"cov"`
	Runs  []string    `json:"runs"`
}

func order() []string {
	ids := make([]string, NumConstants)
	for i := range infos {
		ids[i] = infos[i].ID
	}
	return ids
}

// MarshalJSON writes the constants with their names.
func (p Params) MarshalJSON() ([]byte, error) {
	s := stored{Order: order(), Theta: p.Theta[:], Runs: p.Runs}
	for i := range p.Cov {
		s.Cov = append(s.Cov, p.Cov[i][:])
	}
	return json.Marshal(s)
}

// UnmarshalJSON reads what MarshalJSON wrote and refuses what is no set of
// these constants.
func (p *Params) UnmarshalJSON(data []byte) error {
	var s stored
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return fmt.Errorf("constants of a bench: %w", err)
	}
	if !slices.Equal(s.Order, order()) {
		return fmt.Errorf("constants of a bench: order is %q, this version knows %q", s.Order, order())
	}
	if len(s.Theta) != NumConstants || len(s.Cov) != NumConstants {
		return fmt.Errorf("constants of a bench: %d values and %d rows of covariance, must be %d", len(s.Theta), len(s.Cov), NumConstants)
	}
	out := Params{Runs: s.Runs}
	copy(out.Theta[:], s.Theta)
	for i, row := range s.Cov {
		if len(row) != NumConstants {
			return fmt.Errorf("constants of a bench: row %d of the covariance has %d values, must have %d", i+1, len(row), NumConstants)
		}
		copy(out.Cov[i][:], row)
	}
	if err := out.Check(); err != nil {
		return fmt.Errorf("constants of a bench: %w", err)
	}
	*p = out
	return nil
}
