package bench_test

import (
	"bytes"
	"io/fs"
	"slices"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"tipoff/deploy"
	"tipoff/drivers/emulated"
	"tipoff/logger/bench"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
)

const torchLine = "GPIO17"

const torchBench = `
[[channel]]
name = "torch"
role = "contact"
purpose = "torch"
driver = "contact"
bus = "` + torchLine + `"
`

// A bench without a diaphragm gauge cannot see the torch. A contact on it, read by
// the driver that a real bench has, makes it say tip-off within 3 s of when the
// plant's hand takes the torch up (issue 5, item 2), and the run notes both. Without
// the contact it announces no tip-off, and has said by then that it may be one.
func TestTorchContactOnTheBench(t *testing.T) {
	if testing.Short() {
		t.Skip("computes two whole runs: left out of -short, where TestAcknowledgeButton reads a contact")
	}
	whole, err := fs.ReadFile(deploy.PetrelPier, "petrel-pier/bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	mark := []byte("[[channel]]")
	channels := bytes.Split(whole, mark)
	coarse := slices.DeleteFunc(slices.Clone(channels), func(c []byte) bool { return bytes.Contains(c, []byte("\nname = \"fill\"\n")) })
	if len(coarse) != len(channels)-1 {
		t.Fatal("the demo's bench.toml has no diaphragm gauge to leave out")
	}
	text := bytes.Join(coarse, mark)
	for name, with := range map[string]bool{"with": true, "without": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			toml := text
			if with {
				toml = append(slices.Clone(text), torchBench...)
			}
			tipOffOn(t, toml, with)
		})
	}
}

func tipOffOn(t *testing.T, text []byte, with bool) {
	const late = 3 * time.Second
	var r *rig
	var line *emulated.Pin
	var taken, put, said, mayBe time.Duration // 0: not yet
	over := false
	r = newRigOf(t, text, 1, func(o *bench.Options) {
		o.OnFrame = func(at time.Duration) {
			truth, s := r.show.State(), r.bench.Snapshot()
			switch burns := truth.Hands.Torch; {
			case burns && taken == 0:
				taken = at
			case !burns && taken != 0 && put == 0:
				put = at
			}
			if line != nil {
				line.Drive(gpio.Level(!truth.Hands.Torch)) // closed to ground while in use
			}
			switch {
			case s.Phase == phase.TipOff && said == 0:
				said = at
			case s.Phase == phase.Fill && s.PhaseOr == phase.TipOff && mayBe == 0:
				mayBe = at
			}
			over = over || put != 0 && truth.Phase == "idle"
		}
	})
	if with {
		line = r.board.AddPin(torchLine)
		line.Drive(gpio.High)
	}
	r.until(t, time.Hour, func() bool { return over && len(r.closedRuns()) > 0 })
	if taken == 0 || put == 0 || !over {
		t.Fatalf("the plant's hand takes the torch up at %v and puts it back at %v, run over %v: no run to judge by", taken, put, over)
	}
	if !with {
		if said != 0 {
			t.Errorf("tip-off said at %v, though nothing tells it", said)
		}
		if mayBe == 0 || mayBe > taken+late {
			t.Errorf("torch taken up at %v; said that it may be at %v", taken, mayBe)
		}
		return
	}
	t.Logf("torch taken up at %v, tip-off said %v later", taken, said-taken)
	if said < taken || said > taken+late {
		t.Errorf("torch taken up at %v, tip-off said at %v", taken, said)
	}
	if mayBe != 0 {
		t.Errorf("said at %v that it may be tip-off, which the contact tells", mayBe)
	}
	var noted []time.Duration
	var texts []string
	began := time.Duration(-1)
	read(t, r.closedRuns()[0], func(rec *journal.Record) {
		switch e := rec.Event; {
		case rec.IsFrame:
		case e.Kind == journal.Note && e.ID == "torch":
			noted, texts = append(noted, e.At), append(texts, e.Text)
		case e.Kind == journal.PhaseChanged && e.ID == "tip-off":
			began = e.At
		}
	})
	if !slices.Equal(texts, []string{"torch in use", "torch put back"}) ||
		(noted[0]-taken).Abs() > 300*time.Millisecond || (noted[1]-put).Abs() > 300*time.Millisecond {
		t.Errorf("the run notes %q at %v, want in use from %v to %v", texts, noted, taken, put)
	}
	if began < taken || began > taken+late {
		t.Errorf("the run has tip-off from %v, the torch was taken up at %v", began, taken)
	}
}

// closedRuns are the folders of the runs that are sealed by now.
func (r *rig) closedRuns() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.closed)
}
