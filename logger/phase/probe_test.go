package phase

import "testing"

func TestProbe(t *testing.T) {
	for _, seed := range []uint64{201, 203, 208} {
		s := newSynth(seed, 2)
		s.evening(varied(seed))
		t.Log("truth", list(s.truth))
		t.Log("found", list(Smooth(s.obs, Options{})))
		t.Log("live ", list(track(s.obs, Options{})))
	}
}
