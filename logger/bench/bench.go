// Package bench wires the rooms of tipoff together and gives the daemon its
// life: samples become frames, frames go through phases, limits and alarms into
// the run's file, and whoever asks sees the state of it all.
package bench

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"tipoff/calib/certificate"
	"tipoff/calib/chain"
	"tipoff/calib/gauge"
	"tipoff/drivers/clock"
	"tipoff/logger/alarm"
	"tipoff/logger/archive"
	"tipoff/logger/envelope"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/sampler"
	"tipoff/logger/status"
	"tipoff/logger/tube"
)

// RunsDir is where the runs are in the folder that a bench keeps its files in.
// Beside it is the queue of tube cards.
const RunsDir = archive.RunsDir

const (
	// preRoll is how much is remembered before a run is recognised, so that its
	// beginning is in the file.
	preRoll = 60 * time.Second
	// historyLen is how much the live chart can show.
	historyLen = 20 * time.Minute
)

// Options is what a bench is made of.
type Options struct {
	Clock   clock.Clock
	Name    string
	Layout  *frame.Layout
	Devices []sampler.Device
	Chains  []chain.Chain // one for each channel of the layout
	// Calibrations are the certificates in force; nil: there are none. The bench
	// follows their folder.
	Calibrations *Calibrations
	// OnCalibrated is called when another certificate comes into force for a
	// channel (nil: none is), on the engine's goroutine; nil: none.
	OnCalibrated func(channel string, applied *certificate.Certificate)
	Outputs      []Output       // what makes alarms heard and seen; none: the page only
	Directory    string         // where runs are kept; made if it is not there
	Envelope     envelope.Bench // what is known of the plant
	BenchText    string         // bench.toml as it was, kept with each run
	Version      string
	Speed        float64 // bench seconds per real second, for display; 1 on hardware
	Emulated     bool
	Log          *slog.Logger
	// Patient makes recording wait for the disk instead of dropping, which is
	// right where time is virtual and a run must come out whole.
	Patient bool
	// Whole records everything from the first frame to the end as at least one
	// run, for traces that begin in the middle. The store may be that of a bench at
	// work: the cards that wait in it and the ageing that is wanted are left alone.
	Whole bool
	// OnFrame is called after each frame on the engine's goroutine; nil: none.
	OnFrame func(at time.Duration)
	// OnClosed is called when a run's folder is sealed, from any goroutine.
	OnClosed func(dir string)
}

// Bench is a running bench. Make one with [New], run it with [Bench.Run].
type Bench struct {
	opt     Options
	log     *slog.Logger
	archive *archive.Archive
	cards   string // folder of the tube cards to come
	health  *health.Registry
	kinds   *health.Kinds
	sampler *sampler.Sampler
	sound   *sound
	defs    []alarm.Definition
	bootID  string
	logged  sync.Map     // troubles that the log has told of
	beat    atomic.Int64 // monotonic time of the last frame, for the watchdog

	// mu guards everything that follows: the engine holds it while it makes a
	// frame, readers while they copy.
	mu        sync.Mutex
	frame     frame.Frame
	obs       phase.Observation
	tracker   *phase.Tracker
	state     phase.State
	card      tube.Card
	cardText  string
	hasCard   bool
	cardPath  string // the queued file that the card is from
	envelope  *envelope.Envelope
	checker   *envelope.Checker
	foresight *envelope.Foresight
	alarms    *alarm.Manager
	watch     watch
	contacts  []contact
	run       run
	closed    []*journal.Meta // runs that New found open, until Run looks at them
	resume    *resume         // a run that was interrupted and may go on; nil: none
	ahead     time.Duration   // by which tracker, checker and foresight see later times
	aging     aging
	pre       []kept // ring of the last preRoll
	preNext   int
	history   []status.Point // ring of the last historyLen
	historyN  uint64
	counters  status.Counters
	channels  []status.Channel
	present   []envelope.Present
	gas       gauge.Gas
	wallOK    bool
	adoptions []string // what has come into force since the last run began
	closing   sync.WaitGroup
}

// kept is a frame of the pre-roll.
type kept struct {
	frame frame.Frame
	phase phase.ID
}

// New makes a bench and closes runs that an earlier daemon left open.
func New(opt Options) (*Bench, error) {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	cards := filepath.Join(opt.Directory, queueDir)
	if opt.Whole {
		// The cards that wait are for the tubes of the bench, which may be at work.
		cards = filepath.Join(cards, fmt.Sprintf("trace-%d", os.Getpid()))
		if err := os.RemoveAll(cards); err != nil { // of one that was killed
			return nil, fmt.Errorf("emptying the trace's queue: %w", err)
		}
	}
	for _, dir := range []string{filepath.Join(opt.Directory, RunsDir), cards} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return nil, fmt.Errorf("making the folder for runs: %w", err)
		}
	}
	arch, err := archive.Open(filepath.Join(opt.Directory, RunsDir))
	if err != nil {
		return nil, fmt.Errorf("opening the archive: %w", err)
	}
	b := &Bench{
		opt: opt, log: opt.Log, archive: arch, cards: cards, kinds: health.Declare(),
		defs: alarm.BenchAlarms(), bootID: bootID(),
		tracker:  phase.NewTracker(phase.Options{}),
		pre:      make([]kept, 0, max(1, int(preRoll/opt.Layout.Interval))),
		history:  make([]status.Point, max(1, int(historyLen/opt.Layout.Interval))),
		channels: make([]status.Channel, len(opt.Layout.Channels)),
		present:  make([]envelope.Present, 0, 32),
	}
	b.health = health.New(b.kinds.All())
	b.health.OnChange(func(c health.Change) { b.logTrouble(c) })
	b.alarms = alarm.New(b.defs)
	b.sampler, err = sampler.New(opt.Clock, opt.Layout, opt.Devices, opt.Chains, b.health, b.kinds)
	if err != nil {
		return nil, err
	}
	b.sound = newSound(opt.Outputs, opt.Clock)
	b.watch = newWatch(opt.Layout, b.alarms)
	b.contacts = newContacts(opt.Layout)
	b.alarms.OnChange(b.alarmChanged)
	closed, err := arch.Recover("")
	if err != nil {
		b.log.Error("closing interrupted runs", "error", err)
	}
	for _, m := range closed {
		b.counters.RunsInterrupt++
		b.log.Warn("a run was interrupted; what had been recorded is kept", "run", m.ID)
		b.afterClose(arch.RunDir(m.ID))
	}
	if opt.Calibrations != nil {
		b.tellWrong(opt.Clock.Now())
		if err := opt.Calibrations.driftErr; err != nil {
			b.log.Warn("what was seen of drift before is lost", "error", err)
		}
	}
	b.tellSounders(opt.Clock.Now())
	b.useNextCard()
	b.closed = closed
	return b, nil
}

// Archive is where the bench keeps its runs.
func (b *Bench) Archive() *archive.Archive { return b.archive }

// Definitions lists the alarms that the bench can raise.
func (b *Bench) Definitions() []alarm.Definition { return b.defs }

// Beat is the monotonic time of the last frame. A watchdog asks whether it
// moves.
func (b *Bench) Beat() time.Duration { return time.Duration(b.beat.Load()) }

// Run makes frames until ctx ends, then closes the run being recorded as
// interrupted, waits until everything is on disk and silences the sounders. A
// sounder or a bus that does not come back is left behind after a second.
// done, if not nil, is asked after each frame and ends the bench in good order
// (the trace has ended). Run must be called outside the clock's goroutines.
func (b *Bench) Run(ctx context.Context, done func(now time.Duration) bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if b.opt.Whole {
		defer os.RemoveAll(b.cards)
	}
	// Not before: what is known of the plant may come after New.
	b.mu.Lock()
	b.takeUp(b.closed)
	b.closed = nil
	b.mu.Unlock()
	var wait func() []string
	ended := make(chan error, 1)
	// All start at the same time of the clock: a computed clock would let those
	// that run already get ahead of those that do not exist yet.
	b.opt.Clock.Go(func() {
		wait = b.sampler.Start(ctx)
		b.sound.start(ctx)
		ended <- b.loop(ctx, done)
	})
	err := <-ended
	cancel()
	for _, name := range wait() {
		b.log.Error("a bus hangs and is left behind as it is", "bus", name,
			"do", "check that no line of it is shorted or held; unplug its devices one by one; see docs/wiring")
	}
	closeErr := b.sound.wait(b.log)
	b.mu.Lock()
	b.finish(errors.Is(err, errTraceEnded))
	b.mu.Unlock()
	b.closing.Wait()
	if errors.Is(err, errTraceEnded) || errors.Is(err, context.Canceled) {
		err = nil
	}
	return errors.Join(err, closeErr)
}

var errTraceEnded = errors.New("the trace has ended")

func (b *Bench) loop(ctx context.Context, done func(time.Duration) bool) error {
	interval := b.opt.Layout.Interval
	next := b.opt.Clock.Now()
	if !b.opt.Whole {
		next += interval
	}
	for {
		if err := b.opt.Clock.SleepUntil(ctx, next); err != nil {
			return err
		}
		now := b.opt.Clock.Now()
		b.step(next, now > next+interval)
		b.beat.Store(int64(now))
		if b.opt.OnFrame != nil {
			b.opt.OnFrame(next)
		}
		if done != nil && done(next) {
			return errTraceEnded
		}
		next += interval
		if late := now - next; late > interval {
			// Do not try to catch up frame by frame after a stall: the samples
			// of the stall are in the buffers and go into the next frame.
			next += late / interval * interval
		}
	}
}

// step makes one frame and takes it through all rooms.
func (b *Bench) step(at time.Duration, late bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f := &b.frame
	f.Seq++
	b.counters.Frames++
	if late {
		b.counters.LateFrames++
	}
	b.sampler.Collect(at, f)
	b.followContacts(at)
	b.obs = phase.Observe(b.opt.Layout, f)
	b.obs.At += b.ahead
	b.state = b.tracker.Step(b.obs)
	b.state.Since -= b.ahead
	b.state.RunFrom -= b.ahead
	b.followRun()
	b.judge(b.opt.Layout, f, b.obs, b.state.Judged)
	b.raise(at)
	b.record()
	b.followAgeing(at)
	b.remember()
	b.followGas()
	b.checkClock(at)
	b.followCertificates(at)
	b.checkCertificates(at)
	b.health.Step(at)
}

// followGas tells heat-conduction gauges what they see.
func (b *Bench) followGas() {
	if gas := GasIn(b.state.Phase, GasOf(b.card.Gas)); gas != b.gas {
		b.gas = gas
		b.sampler.SetGas(gas)
	}
}

// GasIn is what a heat-conduction gauge sees in a phase: air while the manifold
// is pumped from the atmosphere or let up to it, air and water vapour in unknown
// shares from drying to the last pumping, the card's gas from the first flush on.
func GasIn(p phase.ID, card gauge.Gas) gauge.Gas {
	switch p {
	case phase.LeakTest, phase.Dry, phase.PumpOut, phase.Bombard, phase.Shells, phase.FinalPump, phase.Cool:
		return gauge.Moist
	case phase.Flush, phase.Fill, phase.TipOff, phase.Age:
		return card
	}
	return gauge.Air
}

// GasOf is what a gauge sees of a card's gas; a mixture has no single factor.
func GasOf(name string) gauge.Gas {
	if name == "" {
		return gauge.Mixture
	}
	g, err := gauge.ParseGas(name)
	if err != nil {
		return gauge.Mixture
	}
	return g
}

// remember keeps the frame for the pre-roll and the live chart.
func (b *Bench) remember() {
	if len(b.pre) < cap(b.pre) {
		b.pre = append(b.pre, kept{b.frame, b.state.Phase})
	} else {
		b.pre[b.preNext] = kept{b.frame, b.state.Phase}
		b.preNext = (b.preNext + 1) % len(b.pre)
	}
	b.history[b.historyN%uint64(len(b.history))] = status.Point{
		Seq: b.frame.Seq, At: b.frame.At,
		Pressure: b.obs.Pressure, Glass: b.obs.Glass, Current: b.obs.Current, Phase: b.state.Phase,
		Light: b.frame.Of(b.opt.Layout, frame.Light).X,
	}
	b.historyN++
}

// checkClock notices, once a second, when the wall clock becomes known, and when
// a card is put into the queue.
func (b *Bench) checkClock(at time.Duration) {
	if b.frame.Seq%10 != 1 {
		return
	}
	wall, ok := b.opt.Clock.Wall()
	if ok != b.wallOK && b.run.writer != nil {
		b.run.anchor(at, wall, ok)
	}
	b.wallOK = ok
	if b.run.writer == nil {
		if path := b.firstQueued(); path != b.cardPath {
			b.useNextCard() // somebody has put a card into the queue
		}
	}
	if ok {
		b.health.Clear(b.kinds.ClockUnknown, "clock", at)
		return
	}
	b.health.Set(b.kinds.ClockUnknown, "clock", "", "the board has not been told the time since it started",
		"connect it to a network with a time server or fit a clock battery; durations are right meanwhile", at)
}

// useCard makes card the one that limits are computed for.
func (b *Bench) useCard(card tube.Card, text string, known bool) {
	b.card, b.cardText, b.hasCard = card, text, known
	e := b.opt.Envelope
	if i := b.opt.Layout.Index(frame.Glass); i >= 0 {
		e.LagCorrected = b.timeConstants()[i] > 0
	}
	b.envelope = envelope.Compute(card, known, e)
	b.checker = envelope.NewChecker(b.envelope)
	b.foresight = envelope.NewForesight(b.envelope)
	b.watch.setCeiling(b.envelope)
}

// logTrouble writes a trouble into the log once it shows, and its end if its
// beginning is there. It is called from the journal's goroutine too.
func (b *Bench) logTrouble(c health.Change) {
	t := c.Trouble
	key := t.Kind.Code + " " + t.Subject
	if !c.Present {
		if _, logged := b.logged.LoadAndDelete(key); logged {
			b.log.Info("well again", "trouble", t.Kind.Code, "subject", t.Subject)
		}
		return
	}
	if t.Hidden {
		return
	}
	b.logged.Store(key, true)
	b.log.Warn(t.Kind.Title, "trouble", t.Kind.Code, "subject", t.Subject, "cause", t.Cause, "do", t.Hint)
}

func bootID() string {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil || len(id) < 36 {
		return "unknown"
	}
	return string(id[:36])
}
