package main

import (
	"log/slog"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"tipoff/logger/archive"
	"tipoff/logger/sheet"
)

// drawGrace is how long the end of the daemon waits for sheets. A quick board has
// drawn by then; a slow one would take longer than the service manager allows.
const drawGrace = 5 * time.Second

// drawer judges and charts runs that are sealed, one after the other, so that
// neither the next run nor the end of the daemon waits for it. What is not drawn at
// the end is drawn at the next start, or when somebody looks at it: all that a
// sheet needs is in the run's folder.
type drawer struct {
	log    *slog.Logger
	closed func(dir string, s *sheet.Sheet) // called for each sheet; nil: none
	make   func(dir string) (*sheet.Sheet, error)

	mu   sync.Mutex
	due  []string // the first is being drawn
	left bool     // nobody waits any more
	idle chan struct{}
}

func newDrawer(log *slog.Logger, closed func(dir string, s *sheet.Sheet)) *drawer {
	idle := make(chan struct{})
	close(idle)
	return &drawer{log: log, closed: closed, make: makeSheet, idle: idle}
}

// makeSheet judges and charts a run that has been sealed.
func makeSheet(dir string) (*sheet.Sheet, error) {
	s, err := sheet.Make(dir)
	if err == nil {
		err = s.Save(dir)
	}
	return s, err
}

// add queues the run in folder dir.
func (d *drawer) add(dir string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.due = append(d.due, dir)
	if len(d.due) == 1 {
		d.idle = make(chan struct{})
		go func() {
			d.draw()
			// Compressing and drawing take some tens of megabytes for a second; a
			// small board has better use for them until the next run ends. It takes a
			// while: not under the lock, for which the bench would wait.
			debug.FreeOSMemory()
		}()
	}
}

// draw draws until nothing is due.
func (d *drawer) draw() {
	d.mu.Lock()
	defer d.mu.Unlock()
	defer func() { close(d.idle) }()
	for len(d.due) > 0 && !d.left {
		dir := d.due[0]
		d.mu.Unlock()
		s, err := d.make(dir)
		d.mu.Lock()
		d.due = d.due[1:]
		switch run := filepath.Base(dir); {
		case d.left: // the end has said that it is due
		case err != nil:
			d.log.Error("making the sheet", "run", run, "error", err)
		default:
			d.log.Info("run judged", "run", run, "verdict", s.Verdict.Overall, "because", s.Verdict.Text)
			if d.closed != nil {
				d.closed(dir, s)
			}
		}
	}
}

// wait waits until nothing is due.
func (d *drawer) wait() {
	for {
		d.mu.Lock()
		idle, over := d.idle, len(d.due) == 0 || d.left
		d.mu.Unlock()
		<-idle
		if over {
			return
		}
	}
}

// leave waits for grace and leaves the rest for later.
func (d *drawer) leave(grace time.Duration) {
	drawn := make(chan struct{})
	go func() {
		d.wait()
		close(drawn)
	}()
	late := time.NewTimer(grace)
	defer late.Stop()
	select {
	case <-drawn:
	case <-late.C:
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.left = true
	for _, dir := range d.due {
		d.log.Info("the run is sealed; its sheet and charts are made at the next start, or when somebody looks at them",
			"run", filepath.Base(dir))
	}
}

// addDue queues the runs of an archive that were sealed and not judged, or not drawn
// to the end: the daemon was stopped, or the power went.
func (d *drawer) addDue(a *archive.Archive) {
	runs, err := a.List()
	if err != nil {
		d.log.Error("looking for runs that wait for their sheet", "error", err)
		return
	}
	for i := len(runs) - 1; i >= 0; i-- { // the oldest first
		if dir := a.RunDir(runs[i].ID); sheet.Due(dir, runs[i].Verdict) {
			d.add(dir)
		}
	}
}
