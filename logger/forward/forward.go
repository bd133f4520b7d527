// Package forward sends recorded runs to a store that takes line protocol over
// HTTP.
//
// It reads sealed blocks from the run folders on the disk and never touches the
// recording: a store that is slow, away or wrong costs nothing but distance.
// How far it came is remembered on the disk. A block is sent again where it is
// not certain that it arrived; lines have fixed timestamps, so that a store
// which keeps one value for each series and time takes that as the same line.
package forward

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"time"

	"tipoff/drivers/clock"
	"tipoff/logger/archive"
	"tipoff/logger/journal"
)

// Options say where to send what.
type Options struct {
	URL     string            // to POST to, with database or bucket as the store wants them
	Header  map[string]string // sent along: "Authorization"; never shown in messages
	Archive *archive.Archive
	State   string // file that remembers how far each run was sent
	Clock   clock.Clock
	Client  *http.Client // nil: one with a time limit of 30 s

	Poll   time.Duration // between looks for new blocks; 0: 2 s
	Batch  int           // most bytes of lines in one request; 0: 1 MiB
	MinGap time.Duration // first wait after a failure; 0: 1 s
	MaxGap time.Duration // longest wait; 0: 5 min

	// OnTrouble is told when sending begins to fail, and with nil when it
	// works again; OnRefused of lines that the store will never take and that
	// were passed over. Both may be nil, and must return at once.
	OnTrouble func(error)
	OnRefused func(run string, blocks int, err error)
}

// Forwarder sends runs. Make it with New, then call Run.
type Forwarder struct {
	opt   Options
	state *state
	gzip  *gzip.Writer
	plain bytes.Buffer // lines of one request
	body  bytes.Buffer // compressed
	rand  *rand.Rand
	err   error // why it does not work now, nil if it does
}

// New checks opt and reads how far sending had come.
func New(opt Options) (*Forwarder, error) {
	u, err := url.Parse(opt.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("forward: url: found %q, allowed is http://… or https://…", opt.URL)
	}
	if opt.Archive == nil || opt.Clock == nil || opt.State == "" {
		return nil, errors.New("forward: archive, clock and state are needed")
	}
	if opt.Client == nil {
		opt.Client = &http.Client{Timeout: 30 * time.Second}
	}
	set := func(d *time.Duration, standard time.Duration) {
		if *d <= 0 {
			*d = standard
		}
	}
	set(&opt.Poll, 2*time.Second)
	set(&opt.MinGap, time.Second)
	set(&opt.MaxGap, 5*time.Minute)
	if opt.Batch <= 0 {
		opt.Batch = 1 << 20
	}
	s, err := loadState(opt.State)
	if err != nil {
		return nil, err
	}
	return &Forwarder{
		opt: opt, state: s, gzip: gzip.NewWriter(nil),
		// Only spreads the waits of several benches; any seed will do.
		rand: rand.New(rand.NewPCG(uint64(opt.Clock.Now()), uint64(len(opt.State)))),
	}, nil
}

// Run sends until ctx ends, and returns its error. On a virtual clock it must
// run in a goroutine started by [clock.Clock.Go].
func (f *Forwarder) Run(ctx context.Context) error {
	gap := time.Duration(0)
	for {
		var err error
		f.opt.Clock.Block(func() { err = f.pass(ctx) })
		if ctx.Err() != nil {
			return ctx.Err()
		}
		wait := f.opt.Poll
		if err == nil {
			gap = 0
		} else {
			gap = min(max(2*gap, f.opt.MinGap), f.opt.MaxGap)
			// Half to all of it, so that many benches do not come back at once.
			wait = gap/2 + time.Duration(f.rand.Int64N(int64(gap/2)+1))
			var s *retryAfter
			if errors.As(err, &s) {
				wait = max(wait, min(s.after, f.opt.MaxGap))
			}
		}
		f.tell(err)
		if err := f.opt.Clock.SleepUntil(ctx, f.opt.Clock.Now()+wait); err != nil {
			return err
		}
	}
}

// tell reports changes of the state of sending.
func (f *Forwarder) tell(err error) {
	was := f.err
	f.err = err
	changed := (was == nil) != (err == nil) || err != nil && was.Error() != err.Error()
	if changed && f.opt.OnTrouble != nil {
		f.opt.OnTrouble(err)
	}
}

// pass sends all blocks that are there and not sent, the oldest run first.
func (f *Forwarder) pass(ctx context.Context) error {
	list, err := f.opt.Archive.List()
	if err != nil {
		return fmt.Errorf("forward: %w", err)
	}
	slices.Reverse(list)
	f.state.keep(list)
	var all error
	for _, e := range list {
		if err := ctx.Err(); err != nil {
			return err
		}
		if e.Trouble != "" || f.state.done(e.ID) {
			continue
		}
		err := f.run(ctx, e)
		var gone *refusal
		if errors.As(err, &gone) || errors.Is(err, errSend) {
			return err // the store, not the run: the others would fare the same
		}
		all = errors.Join(all, err)
	}
	return all
}

// run sends what one run has that is not sent.
func (f *Forwarder) run(ctx context.Context, e archive.Entry) error {
	tags := tagText(e)
	single := 0 // blocks to send one by one, to find those that are refused
	for {
		b, err := journal.OpenBlocks(e.Dir, f.state.at(e.ID))
		if err != nil {
			return fmt.Errorf("forward: run %s: %w", e.ID, err)
		}
		single, err = f.blocks(ctx, b, e.ID, tags, single)
		if err := errors.Join(err, b.Close()); err != nil {
			return err
		}
		if single == 0 {
			break
		}
	}
	whole, err := journal.Whole(e.Dir)
	if err != nil || !whole || e.Outcome == journal.Recording {
		return err
	}
	return f.state.set(e.ID, f.state.at(e.ID), true)
}

// blocks sends blocks, the first single of them alone. If the store refuses a
// request of several it returns how many: they are to be sent again one by one.
func (f *Forwarder) blocks(ctx context.Context, b *journal.Blocks, run, tags string, single int) (int, error) {
	for {
		f.plain.Reset()
		blocks, last := 0, uint64(0)
		var end error
		for f.plain.Len() < f.opt.Batch && (single == 0 || blocks == 0) {
			block, err := b.Next()
			if err != nil {
				end = err
				break
			}
			addTags(&f.plain, block.Data, tags)
			blocks++
			last = block.N
		}
		if blocks > 0 {
			err := f.post(ctx)
			var r *refusal
			refused := errors.As(err, &r) && r.forGood
			if refused && blocks > 1 {
				return blocks, nil
			}
			if err != nil && !refused {
				return 0, err
			}
			if refused && f.opt.OnRefused != nil {
				f.opt.OnRefused(run, blocks, err)
			}
			if err := f.state.set(run, last, false); err != nil {
				return 0, err
			}
			single = max(0, single-1)
		}
		if errors.Is(end, io.EOF) {
			return 0, nil
		}
		if end != nil {
			return 0, fmt.Errorf("forward: run %s: %w", run, end)
		}
	}
}

// errSend is that the store could not be reached.
var errSend = errors.New("the store was not reached")

// A refusal is an answer other than 2xx.
type refusal struct {
	code    int
	text    string
	forGood bool // the same lines will be refused again
}

func (r *refusal) Error() string {
	return fmt.Sprintf("forward: the store answers %d %s: %s", r.code, http.StatusText(r.code), r.text)
}

type retryAfter struct {
	refusal
	after time.Duration
}

func (r *retryAfter) Unwrap() error { return &r.refusal }

// post sends f.plain.
func (f *Forwarder) post(ctx context.Context) error {
	f.body.Reset()
	f.gzip.Reset(&f.body)
	if _, err := f.gzip.Write(f.plain.Bytes()); err != nil {
		return fmt.Errorf("forward: %w", err)
	}
	if err := f.gzip.Close(); err != nil {
		return fmt.Errorf("forward: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, f.opt.URL, bytes.NewReader(f.body.Bytes()))
	if err != nil {
		return fmt.Errorf("forward: %w", err)
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	req.Header.Set("Content-Encoding", "gzip")
	for name, value := range f.opt.Header {
		req.Header.Set(name, value)
	}
	resp, err := f.opt.Client.Do(req)
	if err != nil {
		// The URL may hold a token: leave it out of the message.
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err
		}
		return fmt.Errorf("forward: %w: %w", errSend, err)
	}
	defer resp.Body.Close()
	// Some of the text says why; reading it all lets the connection be used again.
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 300))
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	if resp.StatusCode/100 == 2 {
		return nil
	}
	r := refusal{code: resp.StatusCode, text: string(bytes.TrimSpace(text)), forGood: poison(resp.StatusCode)}
	if after, ok := retryTime(resp.Header.Get("Retry-After")); ok {
		return &retryAfter{refusal: r, after: after}
	}
	return &r
}
