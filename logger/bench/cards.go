package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tipoff/logger/journal"
	"tipoff/logger/tube"
)

// The queue is a folder of tube cards beside the runs. The next run takes the
// first one by name; a card given on the page goes before all others. Taken
// cards move to queue/taken, none is ever deleted.
const (
	queueDir = "queue"
	takenDir = "queue/taken"
	fromPage = "000-next.toml"
)

// AssignCard implements status.Source.
func (b *Bench) AssignCard(text []byte) error {
	card, err := tube.Parse("card", text)
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.run.writer == nil {
		if err := b.queue(fromPage, text); err != nil {
			return err
		}
		b.useNextCard()
		return nil
	}
	err = b.run.writer.Update(func(m *journal.Meta) error {
		m.Card, m.Tube, m.Job = string(text), card.Name, card.Job
		return nil
	})
	if err != nil {
		return fmt.Errorf("writing the card into run %s: %w", b.run.id, err)
	}
	b.run.event(journal.Event{At: b.frame.At, Kind: journal.CardAssigned, ID: card.Name})
	b.useCard(card, string(text), true)
	return nil
}

// SetCard gives the next run the card in text, read from file, before all that
// wait in the queue.
func (b *Bench) SetCard(file string, text []byte) error {
	if _, err := tube.Parse(file, text); err != nil {
		return err
	}
	return b.QueueCard(fromPage, text)
}

// QueueCard puts a card at the place in the queue that its file name gives it.
func (b *Bench) QueueCard(name string, text []byte) error {
	if _, err := tube.Parse(name, text); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.queue(name, text); err != nil {
		return err
	}
	if b.run.writer == nil {
		b.useNextCard()
	}
	return nil
}

// queue is not synced, as the bench waits for it: after a power cut the card may be
// missing or damaged, which is then said.
func (b *Bench) queue(name string, text []byte) error {
	path := filepath.Join(b.cards, name)
	if err := os.WriteFile(path+".part", text, 0o644); err != nil {
		return fmt.Errorf("queueing the card: %w", err)
	}
	if err := os.Rename(path+".part", path); err != nil {
		return fmt.Errorf("queueing the card: %w", err)
	}
	return nil
}

// firstQueued is the path of the next card, "" if there is none.
func (b *Bench) firstQueued() string {
	entries, err := os.ReadDir(b.cards)
	if err != nil {
		return ""
	}
	i := slices.IndexFunc(entries, func(e fs.DirEntry) bool {
		return e.Type().IsRegular() && strings.HasSuffix(e.Name(), ".toml")
	})
	if i < 0 {
		return ""
	}
	return filepath.Join(b.cards, entries[i].Name())
}

// useNextCard shows the limits of the card that the next run will take, or
// those that hold for any tube.
func (b *Bench) useNextCard() {
	if b.resume != nil {
		return // the limits are those of the run that may go on
	}
	path := b.firstQueued()
	b.cardPath = path
	if path == "" {
		b.useCard(tube.Card{}, "", false)
		return
	}
	text, err := os.ReadFile(path)
	var card tube.Card
	if err == nil {
		card, err = tube.Parse(path, text)
	}
	if err != nil {
		b.health.Set(b.kinds.CardUnreadable, path, "", err.Error(), "correct the card or take it out of the queue", b.opt.Clock.Now())
		b.useCard(tube.Card{}, "", false)
		return
	}
	b.health.Clear(b.kinds.CardUnreadable, path, b.opt.Clock.Now())
	b.useCard(card, string(text), true)
}

// takeQueued makes the first queued card the present run's. A card that cannot
// be read stays where it is and the run is recorded without one.
func (b *Bench) takeQueued() {
	b.useNextCard()
	if !b.hasCard {
		return
	}
	path := b.firstQueued()
	taken := filepath.Join(b.opt.Directory, takenDir)
	err := os.MkdirAll(taken, 0o755)
	if err == nil {
		name := b.card.Name + "-" + filepath.Base(path)
		err = os.Rename(path, filepath.Join(taken, filepath.Base(name)))
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		b.health.Set(b.kinds.CardUnreadable, path, "", err.Error(), "let tipoff write to the queue's folder", b.opt.Clock.Now())
	}
}

// next is the name of the card that the next run will take.
func (b *Bench) next() string {
	if b.run.writer == nil && b.hasCard {
		return b.card.Name
	}
	return ""
}
