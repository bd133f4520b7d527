package sheet

import (
	"fmt"

	"tipoff/logger/journal"
	"tipoff/logger/tube"
)

// GiveCard gives the recorded run in folder dir its tube card, which text was read as,
// and judges it anew. If it cannot be judged nothing is written.
func GiveCard(dir string, card *tube.Card, text []byte) (*Sheet, error) {
	give := func(m *journal.Meta) { m.Card, m.Tube, m.Job = string(text), card.Name, card.Job }
	if isAgeing(dir) { // whose account does not go by the card
		err := journal.UpdateMeta(dir, func(m *journal.Meta) error { give(m); return nil })
		if err != nil {
			return nil, fmt.Errorf("writing the card: %w", err)
		}
		give = nil
	}
	s, err := makeWith(dir, give)
	if err == nil {
		err = s.Save(dir)
	}
	return s, err
}
