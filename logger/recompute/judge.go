package recompute

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/learn"
	"tipoff/logger/phase"
	"tipoff/logger/plantcare"
)

// track is what phases and verdict are found from.
type track struct {
	obs []phase.Observation
	u   []envelope.Uncertainties
}

// add takes a frame; by brings its time to the clock of the run's first part.
func (t *track) add(l *frame.Layout, f *frame.Frame, by time.Duration) {
	o := phase.Observe(l, f)
	o.At += by
	t.obs = append(t.obs, o)
	t.u = append(t.u, envelope.UncertaintiesOf(l, f))
}

// judgement is what a sheet says of a track.
type judgement struct {
	segments []phase.Segment
	findings []envelope.Finding
	verdict  envelope.Verdict
	text     string
}

// judge finds phases and verdict as the sheet does.
func (t *track) judge(env *envelope.Envelope) judgement {
	j := judgement{segments: phase.Smooth(t.obs, phase.Options{})}
	j.findings = envelope.Check(env, t.obs, t.u, j.segments).Findings()
	plantcare.Judge(env, t.obs, t.u, j.segments, j.findings)
	j.verdict, j.text = envelope.Overall(j.findings)
	return j
}

// learned are the constants that the recorded values were judged by, so that
// only the calibration differs; nil for none. A run's folder that was carried away
// from its store has lost them, which the remark then says.
func (j *job) learned() (c *learn.Constants, remark string, err error) {
	c, err = learn.Judged(j.dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Sprintf("Version %d of the bench's own constants, by which the recorded values were judged, is not there any more; "+
			"old and new values were judged without it.", j.meta.Constants), nil
	}
	return c, "", err
}
