package bench

import (
	"testing"

	"tipoff/logger/envelope"
	"tipoff/logger/health"
)

// What the arc tells of the glass channel and what the sampler tells of it stand beside
// each other: neither's end is the other's.
func TestSeatingLeavesTheSamplersTrouble(t *testing.T) {
	k := health.Declare()
	b := &Bench{kinds: k, health: health.New(k.All()), watch: watch{glass: "glass"}}
	b.health.Set(k.Contradiction, "glass", "", "the sampler's", "", 1)
	b.tellSeating(envelope.Off, 2)
	b.tellSeating(envelope.Seated, 3)
	if !b.health.Present(k.Contradiction) || b.health.Present(k.GlassUnseen) {
		t.Error("the sampler's trouble ended with the seating's")
	}
	b.tellSeating(envelope.Loose, 4)
	b.health.Clear(k.Contradiction, "glass", 5)
	if !b.health.Present(k.GlassUnseen) {
		t.Error("the seating's trouble ended with the sampler's")
	}
}
