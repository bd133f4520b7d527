package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Options change how a [Writer] works. The zero value is right for a daemon.
type Options struct {
	FS     FS            // nil: OS{}
	Every  time.Duration // real time between syncs; 0: 500 ms
	Memory int           // bytes kept while the disk does not take them; 0: 8 MiB
	// Patient makes Append wait for the disk when Memory is full, instead of
	// dropping the oldest lines: for virtual time, imports and tests.
	Patient bool
	// TimeConstants are the channels' [Channel.TimeConstantS], s, in the layout's
	// order, NaN where it is not known; nil: of none.
	TimeConstants []float64
	// OnTrouble is called when the disk starts to refuse (and again when the
	// reason changes), OnRecovered when it takes everything again. They are
	// called from the writer's goroutine and must not call the writer.
	OnTrouble   func(error)
	OnRecovered func()
}

// Stats counts since the writer was made.
type Stats struct {
	Bytes   uint64 // durable
	Blocks  uint64 // durable
	Frames  uint64 // taken
	Dropped uint64 // lines dropped because the disk was stuck and Memory full
	Errors  uint64 // failed operations on the disk
}

// Writer records one run. Append and Event may be called from several
// goroutines; neither waits for the disk. A goroutine of the writer's own, on
// real time, writes and syncs at most [Options.Every] apart. What survives:
//
//   - a killed process or a power cut: all lines but those of the last
//     Options.Every and the sync under way;
//   - a disk that refuses (full, failing): lines stay in memory up to
//     Options.Memory and are written to a new file when it takes them again,
//     together with all that was not known to be durable. A file whose write or
//     sync failed is not written again, because Linux forgets pages that it
//     could not write and a second sync proves nothing. Beyond Memory the
//     oldest lines are dropped, and an event says how many.
type Writer struct {
	dir  string
	opt  Options
	kick chan struct{}   // something to write, do not wait for the tick
	sync chan chan error // Sync's requests
	quit chan struct{}
	done chan struct{} // the flusher has ended

	mu       sync.Mutex // guards everything that follows
	room     sync.Cond  // for Patient
	lines    *lines
	story    *story
	active   *chunk   // being filled
	queue    []*chunk // full, oldest first; the first inFlight are being written
	inFlight int
	queued   int // bytes in queue
	free     []*chunk
	lost     int64         // lines dropped and not yet told
	stamp    time.Duration // of the latest event, which must differ
	stats    Stats
	err      error // what is wrong with the disk
	closed   bool

	// The flusher's own.
	file  File
	files int // frames files made
	n     uint64
	crc   uint32

	meta sync.Mutex // guards run.toml
}

// A chunk is lines on their way to the disk; sealed, it is a block.
type chunk struct {
	buf    []byte
	lines  int
	sealed bool
	told   int64 // lost lines that its events tell of, less those events
}

// chunkSize is when a chunk is closed without waiting for the tick, batch how
// much is written between two syncs, both in bytes.
const (
	chunkSize = 64 << 10
	batch     = 1 << 20
)

// Create makes the run's folder dir, with meta as its run.toml, and starts
// recording. meta needs ID, Started and BootID; Format, Layout and Outcome are
// filled in, and Started is rounded as frames' times are. It fails if dir holds a run already.
func Create(dir string, meta Meta, l *frame.Layout, opt Options) (*Writer, error) {
	if opt.FS == nil {
		opt.FS = OS{}
	}
	if opt.Every <= 0 {
		opt.Every = 500 * time.Millisecond
	}
	if opt.Memory <= 0 {
		opt.Memory = 8 << 20
	}
	meta.Format, meta.Layout, meta.Outcome = format, LayoutOf(l), Recording
	for i, s := range opt.TimeConstants {
		if c := &meta.Layout.Channels[i]; s == s {
			c.TimeConstantS, c.TimeConstantTold = s, true
		}
	}
	enc, err := newLines(l, meta.base())
	if err != nil {
		return nil, fmt.Errorf("starting to record run %s: %w", meta.ID, err)
	}
	// The run begins where a timestamp can be: else its first frame may be before it.
	start := enc.at(meta.Started.Mono())
	meta.Started = At(start, meta.Started.Wall.Add(start-meta.Started.Mono()), meta.Started.Trusted)
	if _, err := os.Stat(filepath.Join(dir, metaName)); err == nil {
		return nil, fmt.Errorf("starting to record run %s: %s holds a run already", meta.ID, dir)
	}
	if err := opt.FS.Mkdir(dir); err != nil {
		return nil, fmt.Errorf("starting to record run %s: %w", meta.ID, err)
	}
	if err := opt.FS.SyncDir(filepath.Dir(dir)); err != nil {
		return nil, fmt.Errorf("starting to record run %s: %w", meta.ID, err)
	}
	if err := putMeta(opt.FS, dir, &meta); err != nil {
		return nil, fmt.Errorf("starting to record run %s: %w", meta.ID, err)
	}
	w := &Writer{
		dir: dir, opt: opt, lines: enc, story: newStory(meta.Started.Mono()),
		kick: make(chan struct{}, 1), sync: make(chan chan error), quit: make(chan struct{}), done: make(chan struct{}),
		active: newChunk(), queue: make([]*chunk, 0, 2*opt.Memory/chunkSize+8),
		stamp: meta.Started.Mono() - 1,
	}
	w.room.L = &w.mu
	for range 3 {
		w.free = append(w.free, newChunk())
	}
	w.Event(Event{
		At: meta.Started.Mono(), Kind: ClockAnchor, Wall: meta.Started.Wall, Trusted: meta.Started.Trusted,
		Text: "run " + meta.ID + " on " + meta.BenchName + ", boot " + meta.BootID,
	})
	go w.flusher()
	return w, nil
}

func newChunk() *chunk { return &chunk{buf: make([]byte, 0, chunkSize+16<<10)} }

// Append records f, in phase p. It does not wait for the disk and does not
// allocate. A change of phase is recorded as an event too. After Seal or Close
// it does nothing.
func (w *Writer) Append(f *frame.Frame, p phase.ID) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.prepare() {
		return
	}
	if at := w.lines.at(f.At); int(p) < phase.Count && w.story.frame(at, p) {
		w.event(Event{At: at, Kind: PhaseChanged, ID: p.String()})
	}
	w.stats.Frames++
	w.active.buf = w.lines.frame(w.active.buf, f, p)
	w.active.lines++
}

// Event records e. It does not wait for the disk.
func (w *Writer) Event(e Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.prepare() {
		return
	}
	w.story.event(e)
	w.event(e)
}

func (w *Writer) event(e Event) {
	// Stores keep one line for each measurement, tags and timestamp.
	w.stamp = max(e.At, w.stamp+1)
	w.active.buf = w.lines.event(w.active.buf, e, w.stamp)
	w.active.lines++
}

// prepare makes room for a line, or returns false if the writer is closed.
func (w *Writer) prepare() bool {
	for w.opt.Patient && !w.closed && w.queued+len(w.active.buf) > w.opt.Memory {
		w.wake()
		w.room.Wait()
	}
	if w.closed {
		return false
	}
	if len(w.active.buf) >= chunkSize {
		w.turn()
		w.wake()
	}
	for w.queued+len(w.active.buf) > w.opt.Memory && len(w.queue) > w.inFlight {
		// The oldest goes: what happens now matters most to whoever stands there.
		c := w.queue[w.inFlight]
		copy(w.queue[w.inFlight:], w.queue[w.inFlight+1:])
		w.queue = w.queue[:len(w.queue)-1]
		w.queued -= len(c.buf)
		w.lost += int64(c.lines) + c.told
		w.stats.Dropped += uint64(c.lines)
		w.release(c)
	}
	return true
}

// tellLost records how many lines were dropped, once the disk takes lines again.
func (w *Writer) tellLost() {
	lost := w.lost
	w.lost = 0
	w.active.told += lost - 1 // should this chunk be dropped too; the event is one of its lines
	w.event(Event{
		At: w.story.last, Kind: LinesLost, Count: lost,
		Text: "the disk did not take lines for so long that the oldest were dropped",
	})
}

// turn moves the active chunk to the queue and begins another.
func (w *Writer) turn() {
	if w.active.lines == 0 {
		return
	}
	w.queue = append(w.queue, w.active)
	w.queued += len(w.active.buf)
	if n := len(w.free); n > 0 {
		w.active = w.free[n-1]
		w.free = w.free[:n-1]
	} else {
		w.active = newChunk()
	}
}

func (w *Writer) release(c *chunk) {
	if len(w.free) < 4 && cap(c.buf) < 4*chunkSize {
		*c = chunk{buf: c.buf[:0]}
		w.free = append(w.free, c)
	}
}

func (w *Writer) wake() {
	select {
	case w.kick <- struct{}{}:
	default:
	}
}

// flusher is the only goroutine that touches the frames files.
func (w *Writer) flusher() {
	defer close(w.done)
	tick := time.NewTicker(w.opt.Every)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			w.flush()
		case <-w.kick:
			if w.Err() == nil { // in trouble, the tick is often enough
				w.flush()
			}
		case answer := <-w.sync:
			answer <- w.flush()
		case <-w.quit:
			return
		}
	}
}

// flush makes durable all that was appended before it was called.
func (w *Writer) flush() error {
	w.mu.Lock()
	w.turn()
	w.mu.Unlock()
	for {
		w.mu.Lock()
		size := 0
		for w.inFlight = 0; w.inFlight < len(w.queue) && size < batch; w.inFlight++ {
			size += len(w.queue[w.inFlight].buf)
		}
		blocks := w.queue[:w.inFlight:w.inFlight]
		w.mu.Unlock()
		if len(blocks) == 0 {
			return nil
		}
		written, err := w.write(blocks)
		w.mu.Lock()
		recovered := false
		if err == nil {
			for i, c := range blocks {
				w.queued -= len(c.buf)
				w.release(c)
				blocks[i] = nil
			}
			w.queue = append(w.queue[:0], w.queue[w.inFlight:]...)
			w.stats.Blocks += uint64(len(blocks))
			w.stats.Bytes += uint64(written)
			recovered = w.err != nil
			if w.lost > 0 {
				w.tellLost()
				w.turn()
			}
		} else {
			w.stats.Errors++
		}
		w.inFlight = 0
		changed := err != nil && (w.err == nil || w.err.Error() != err.Error())
		w.err = err
		w.room.Broadcast()
		w.mu.Unlock()
		if changed && w.opt.OnTrouble != nil {
			w.opt.OnTrouble(err)
		}
		if recovered && w.opt.OnRecovered != nil {
			w.opt.OnRecovered()
		}
		if err != nil {
			return err
		}
	}
}

// write seals, writes and syncs the chunks. After an error the file is given
// up: the next call begins a new one with all of them.
func (w *Writer) write(chunks []*chunk) (int, error) {
	fresh := w.file == nil
	if fresh {
		name := framesName(w.files + 1)
		f, err := w.opt.FS.Create(filepath.Join(w.dir, name))
		if errors.Is(err, os.ErrExist) {
			w.files++ // left by an attempt that could not be removed
		}
		if err != nil {
			return 0, fmt.Errorf("recording: making %s: %w", name, err)
		}
		w.files++
		w.file = f
	}
	name := framesName(w.files)
	total := 0
	for _, c := range chunks {
		if !c.sealed {
			size := len(c.buf)
			w.n++
			c.buf, w.crc = appendSeal(c.buf, w.n, c.lines, w.crc)
			c.sealed = true
			w.mu.Lock()
			w.queued += len(c.buf) - size
			w.mu.Unlock()
		}
		if _, err := w.file.Write(c.buf); err != nil {
			return 0, w.giveUp(fresh, fmt.Errorf("recording: writing %s: %w", name, err))
		}
		total += len(c.buf)
	}
	if err := w.file.Sync(); err != nil {
		return 0, w.giveUp(fresh, fmt.Errorf("recording: syncing %s: %w", name, err))
	}
	if fresh {
		if err := w.opt.FS.SyncDir(w.dir); err != nil {
			return 0, w.giveUp(true, fmt.Errorf("recording: syncing the folder of %s: %w", name, err))
		}
	}
	return total, nil
}

// giveUp closes the file that failed. One in which nothing was ever durable is
// removed, so that a disk that stays full does not fill with empty files.
func (w *Writer) giveUp(fresh bool, err error) error {
	_ = w.file.Close() // nothing more is expected of it
	w.file = nil
	if fresh && w.files > 1 {
		if w.opt.FS.Remove(filepath.Join(w.dir, framesName(w.files))) == nil {
			w.files--
		}
	}
	return err
}

// framesName is the name of the i-th file of lines, from 1.
func framesName(i int) string {
	if i == 1 {
		return "frames.lp"
	}
	return fmt.Sprintf("frames-%d.lp", i)
}

// Sync waits until all that was recorded is durable, or the disk refuses.
func (w *Writer) Sync() error {
	answer := make(chan error, 1)
	select {
	case w.sync <- answer:
		return <-answer
	case <-w.done:
		return errors.New("recording: the run is closed")
	}
}

// Err is what is wrong with the disk, nil while all is well.
func (w *Writer) Err() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.err
}

// Stats is the counts so far.
func (w *Writer) Stats() Stats {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stats
}

// Update changes run.toml of the run being recorded, for a tube card given in
// mid run. The same parts as in [UpdateMeta] can not be changed.
func (w *Writer) Update(f func(*Meta) error) error {
	w.meta.Lock()
	defer w.meta.Unlock()
	return updateMeta(w.opt.FS, w.dir, f)
}

// Close makes what was recorded durable and leaves the run unsealed: [Recover]
// will call it interrupted. A second Close does nothing.
func (w *Writer) Close() error {
	if !w.stop() {
		return nil
	}
	err := w.flush()
	if w.file != nil {
		err = errors.Join(err, w.file.Close())
		w.file = nil
	}
	return err
}

// stop ends recording and the flusher; false if that was done before. After it
// the caller is alone with the flusher's fields.
func (w *Writer) stop() bool {
	w.mu.Lock()
	was := w.closed
	w.closed = true
	w.room.Broadcast()
	w.mu.Unlock()
	if was {
		return false
	}
	close(w.quit)
	<-w.done
	return true
}

// Seal ends the run. f says how it ended: Outcome, Ended; Phases and Alarms are
// filled in as recorded where f leaves them empty. It returns once lines are
// compressed, sums written and all is durable; it takes seconds for a long run.
// After an error, or a power cut on the way, [Recover] goes on where it ended.
func (w *Writer) Seal(f func(*Meta)) error {
	if err := w.Close(); err != nil {
		return fmt.Errorf("sealing %s: %w", w.dir, err)
	}
	w.meta.Lock()
	defer w.meta.Unlock()
	m, err := LoadMeta(w.dir)
	if err != nil {
		return fmt.Errorf("sealing %s: %w", w.dir, err)
	}
	if m.Outcome != Recording {
		return fmt.Errorf("sealing %s: it is sealed already", w.dir)
	}
	if f != nil {
		f(m)
	}
	if m.Outcome == Recording {
		m.Outcome = Interrupted
	}
	w.story.fill(m)
	if err := finish(w.opt.FS, w.dir, m); err != nil {
		return fmt.Errorf("sealing %s: %w", w.dir, err)
	}
	return nil
}
