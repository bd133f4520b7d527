package bench

import "tipoff/logger/envelope"

// Know sets what is known of the plant from now on. The limits of a run that is
// being recorded, or may go on, stay as they are; those of the next follow. What is
// known before [Bench.Run] counts for a run that goes on as well.
func (b *Bench) Know(plant envelope.Bench) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.opt.Envelope == plant {
		return
	}
	b.opt.Envelope = plant
	if b.run.writer == nil && b.resume == nil {
		b.useCard(b.card, b.cardText, b.hasCard)
	}
}
