package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"text/tabwriter"
	"time"

	"tipoff/calib/unit"
	"tipoff/drivers/registry"
	"tipoff/logger/archive"
	"tipoff/logger/bench"
	"tipoff/logger/config"
	"tipoff/logger/drift"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/learn"
	"tipoff/logger/model"
	"tipoff/logger/plan"
)

const constantsUsage = "what the bench has learned: the number of a version, or none; default: the newest version of the store, if it has one"

// learnVerb draws the bench's constants from its runs, or shows them.
func learnVerb(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	dir := fs.String("store", "", storeUsage)
	benchFile := fs.String("bench", "", "bench.toml, for what the owner says of the bench; default: as the newest run has it")
	show := fs.Bool("show", false, "show the version in force and learn nothing")
	number := fs.Int("version", 0, "with --show: this version")
	since := fs.String("since", "", "only runs from this one on count, from now on (after a new pump, say); first: all again")
	use := fs.Int("use", 0, "put this version in force again, until 'tipoff learn' learns anew")
	again := fs.Bool("again", false, "read every run from its frames again")
	corridor := fs.String("corridor", "", "show the corridor of good runs for a tube card, and learn nothing")
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	if *number < 0 || *use < 0 {
		return input(errors.New("flags --version and --use: found a number below 0; allowed: the number of a version"))
	}
	a, err := openArchive(*dir)
	if err != nil {
		return err
	}
	s := learn.Open(store(*dir), a)
	switch {
	case *corridor != "":
		return showCorridor(e, filepath.Join(store(*dir), bench.RunsDir), *corridor)
	case *use != 0:
		if err := checkVersion(s, "use", *use); err != nil {
			return err
		}
		c, err := s.Use(*use, time.Now())
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "version %d is in force again, as version %d, until 'tipoff learn' learns anew\n", *use, c.Version)
		return showConstants(e, c, nil)
	case *show:
		return showVersion(e, s, *number)
	}
	o := learn.Options{At: time.Now(), ByHand: true, Again: *again}
	if o.Said, err = said(*benchFile, a); err != nil {
		return err
	}
	if *since != "" {
		if o.Since, err = sinceRun(a, *since); err != nil {
			return err
		}
		o.All = o.Since == ""
	}
	start := time.Now()
	r, err := s.Learn(ctx, o)
	if err != nil {
		return err
	}
	return tellLearned(e, r, time.Since(start))
}

// sinceRun is the ID of the run that --since means; "" for first.
func sinceRun(a *archive.Archive, name string) (string, error) {
	if name == "first" {
		return "", nil
	}
	entry, err := a.Find(name)
	return entry.ID, input(err)
}

func checkVersion(s *learn.Store, flag string, n int) error {
	list, err := s.Versions()
	if err != nil {
		return err
	}
	for _, v := range list {
		if v == n {
			return nil
		}
	}
	if len(list) == 0 {
		return input(fmt.Errorf("flag --%s: found %d; there is no version yet: 'tipoff learn' makes one", flag, n))
	}
	return input(fmt.Errorf("flag --%s: found %d; allowed: %d to %d", flag, n, list[0], list[len(list)-1]))
}

// said is what the owner says of the bench, from its file or from the newest
// run that has one.
func said(file string, a *archive.Archive) (model.Bench, error) {
	if file != "" {
		_, cfg, err := readBench(file)
		if err != nil {
			return model.Bench{}, err
		}
		return saidBy(cfg), nil
	}
	list, err := a.List()
	if err != nil {
		return model.Bench{}, err
	}
	for _, r := range list {
		m, err := journal.LoadMeta(r.Dir)
		if err != nil || strings.TrimSpace(m.Bench) == "" {
			continue
		}
		cfg, err := config.Parse("bench.toml", []byte(m.Bench), registry.All())
		if err != nil {
			return model.Bench{}, nil // of another version: then only the handbook speaks
		}
		return saidBy(cfg), nil
	}
	return model.Bench{}, nil
}

// saidBy is what cfg says. Whether the lag is corrected is left out: learning has
// it from each run.
func saidBy(cfg *config.Bench) model.Bench { return plan.BenchOf(bench.PlantOf(cfg)) }

func showVersion(e *env, s *learn.Store, number int) error {
	if number > 0 {
		if err := checkVersion(s, "version", number); err != nil {
			return err
		}
		c, err := s.Version(number)
		if err != nil {
			return input(err)
		}
		return showConstants(e, c, nil)
	}
	c, err := s.InForce()
	if err != nil {
		return input(err)
	}
	if c == nil {
		fmt.Fprintln(e.out, "nothing has been learned yet: 'tipoff learn' learns from the runs that are there")
		return nil
	}
	return showConstants(e, c, nil)
}

func tellLearned(e *env, r *learn.Report, took time.Duration) error {
	fmt.Fprintf(e.out, "looked at %s in %.1f s, read %d of them from their frames\n", countRuns(r.Looked), took.Seconds(), r.Read)
	if r.Now == nil {
		fmt.Fprintln(e.out, "no run teaches anything yet")
		return showLeft(e, r.Skipped)
	}
	switch {
	case r.Kept && r.Before != nil:
		fmt.Fprintf(e.out, "version %d is new and in force\n", r.Now.Version)
	case r.Kept:
		fmt.Fprintf(e.out, "version %d is the first, and in force\n", r.Now.Version)
	default:
		fmt.Fprintf(e.out, "nothing has changed beyond its uncertainty: version %d stays in force\n", r.Now.Version)
	}
	var before *learn.Constants
	if r.Kept {
		before = r.Before
	}
	if err := showConstants(e, r.Now, before); err != nil {
		return err
	}
	return showLeft(e, r.Skipped)
}

func countRuns(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}

// showConstants prints a version, and what has changed since before if that is
// not nil.
func showConstants(e *env, c, before *learn.Constants) error {
	fmt.Fprintf(e.out, "\nversion %d of %s, from %s", c.Version, c.Made.Local().Format("2006-01-02 15:04"), countRuns(len(c.Runs)))
	if n := len(c.Runs); n > 1 {
		fmt.Fprintf(e.out, ", %s to %s", c.Runs[0], c.Runs[n-1])
	}
	if c.From > 0 {
		fmt.Fprintf(e.out, "; a copy of version %d", c.From)
	}
	if c.Held {
		fmt.Fprint(e.out, ", held")
	}
	fmt.Fprint(e.out, "\n\n")
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "CONSTANT\tFROM THE RUNS\tWITHOUT THEM\tUSED")
	if before != nil {
		fmt.Fprintf(w, "\tIN VERSION %d", before.Version)
	}
	fmt.Fprint(w, "\tBECAUSE\n")
	for i := range c.Values {
		v := &c.Values[i]
		used := v.Basis
		if v.Beats {
			used = "the runs'"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s", v.Constant.Info().ID, v.Words(), v.KnownWords(), used)
		if before != nil {
			fmt.Fprintf(w, "\t%s", before.Values[i].Words())
		}
		fmt.Fprintf(w, "\t%s\n", v.Because())
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if text := c.PerWattWords(nil); text != "" {
		fmt.Fprintln(e.out, "\n"+text)
	}
	return showLeft(e, c.Left)
}

func showLeft(e *env, left []learn.Left) error {
	if len(left) == 0 {
		return nil
	}
	fmt.Fprintln(e.out, "\nleft out:")
	for _, l := range left {
		if _, err := fmt.Fprintf(e.out, "  %s: %s\n", l.Run, l.Why); err != nil {
			return err
		}
	}
	return nil
}

// showCorridor prints where the good runs of a tube's family lie.
func showCorridor(e *env, runs, cardFile string) error {
	card, err := readCard(cardFile)
	if err != nil {
		return err
	}
	f := learn.FamilyOf(*card)
	good, err := learn.Good(runs, f, "")
	if err != nil {
		return err
	}
	c := learn.CorridorOf(good)
	if c == nil {
		fmt.Fprintf(e.out, "%s of %s are marked as good; a corridor needs %d ('tipoff observe RUN good' marks one)\n", countRuns(len(good)), f, learn.LeastGood)
		return nil
	}
	fmt.Fprintf(e.out, "corridor of %s marked as good, %s\na further good run is inside for about %.0f %% of the time\n\n", countRuns(len(c.Runs)), f, 100*c.Holds)
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "PHASE\tRUNS\tTAKES\tAT\tPRESSURE\tGLASS\tCURRENT")
	for i := range c.Stages {
		s := &c.Stages[i]
		name := s.Phase.String()
		if s.Nth > 1 {
			name += " " + strconv.Itoa(s.Nth)
		}
		n := len(s.Glass.Mid)
		for k, at := range []int{0, n / 2, n - 1} {
			takes, runs := "", ""
			if k == 0 {
				takes, runs = fmt.Sprintf("%.0f to %.0f s", s.Seconds[0], s.Seconds[2]), strconv.Itoa(s.Runs)
			} else {
				name = ""
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", name, runs, takes, []string{"begin", "middle", "end"}[k],
				between(&s.Pressure, at, unit.Pressure), between(&s.Glass, at, unit.Temperature), between(&s.Current, at, unit.Current))
		}
	}
	return w.Flush()
}

func between(b *learn.Band, i int, d unit.Dimension) string {
	if b.Low[i] != b.Low[i] {
		return "-"
	}
	return unit.Format(b.Low[i], d) + " to " + unit.Format(b.High[i], d)
}

// learnGrace is how long the end of the daemon waits for learning. What it does not
// come to is learned at the next start.
const learnGrace = 5 * time.Second

// learner learns in the background: at the start, and after each run that has been
// judged.
type learner struct {
	store *learn.Store
	said  model.Bench
	plant envelope.Bench
	use   func(envelope.Bench)    // gives the bench what is known of it now
	gain  func([]drift.Heated)    // and what the runs say of the glass reading's gain
	dir   func(run string) string // its folder
	now   func() time.Time
	log   *slog.Logger
	due   chan struct{} // one place
	// inForce are the constants that the bench goes by, nil if there are none; fixed: they
	// are those of a trace's time, whatever is learned.
	inForce atomic.Pointer[learn.Constants]
	fixed   bool
}

// newLearner makes a learner that can be woken, also while open fills in the rest.
func newLearner() *learner { return &learner{due: make(chan struct{}, 1)} }

// open makes l the learner of a station and gives its bench what has been learned
// before. A trace is followed by what was known at its time, as its sheet is judged.
func (l *learner) open(d *station) {
	l.store, l.said, l.plant = learn.Open(d.cfg.Store.Directory, d.bench.Archive()), saidBy(d.cfg), bench.PlantOf(d.cfg)
	l.use, l.gain, l.dir, l.log = d.bench.Know, d.bench.Heated, d.bench.Archive().RunDir, d.log
	l.now = func() time.Time {
		wall, _ := d.clock.Wall()
		return wall
	}
	known := l.store.InForce
	if d.traced {
		known = func() (*learn.Constants, error) { return l.store.At(l.now()) }
	}
	c, err := known()
	if err != nil {
		l.log.Error("reading what the bench has learned", "error", err)
	}
	l.use(c.For(l.plant))
	l.inForce.Store(c)
	if d.traced {
		l.use, l.fixed = func(envelope.Bench) {}, true
	}
	if len(d.text) == 0 { // a trace without the bench's description: the store's runs have it
		if l.said, err = said("", d.bench.Archive()); err != nil {
			l.log.Error("reading what is said of the bench", "error", err)
		}
	}
	l.wake()
}

// wake says that there is something to learn.
func (l *learner) wake() {
	select {
	case l.due <- struct{}{}:
	default:
	}
}

// run learns whenever there is something, until ctx ends.
func (l *learner) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.due:
			l.learn(ctx)
		}
	}
}

// end learns what is left, within the grace.
func (l *learner) end(grace time.Duration) {
	ctx, cancel := context.WithTimeout(context.Background(), grace)
	defer cancel()
	select {
	case <-l.due:
		l.learn(ctx)
	default:
	}
}

// learn learns from the archive, on one processor: others may be needed for the
// frames. What runs teach stands beside them, so that it takes milliseconds for
// each hundred that are known already.
func (l *learner) learn(ctx context.Context) {
	r, err := l.store.Learn(ctx, learn.Options{Said: l.said, At: l.now(), Workers: 1})
	switch {
	case ctx.Err() != nil:
		l.wake() // later
		return
	case err != nil:
		l.log.Error("learning from the runs", "error", err)
		return
	}
	if r.Now == nil {
		r.Now = r.Before // the runs that it was learned from were taken away: it stays in force
	}
	if r.Kept {
		l.log.Info("learned", "version", r.Now.Version, "runs", len(r.Now.Runs))
	}
	l.use(r.Now.For(l.plant))
	if !l.fixed {
		l.inForce.Store(r.Now)
	}
	l.gain(l.heated(r.Taught))
}

// heated is how the arc heated the glass in the last runs.
func (l *learner) heated(runs []*learn.Taught) (out []drift.Heated) {
	for _, t := range runs[max(0, len(runs)-drift.GainWindow):] {
		if t.Fit == nil {
			continue
		}
		h := drift.Heated{Heating: t.Fit.Value(model.Heating), U: t.Fit.Spread(model.Heating)}
		if m, err := journal.LoadMeta(l.dir(t.Run)); err == nil && m.Started.Trusted {
			h.Start = m.Started.Wall
		}
		out = append(out, h)
	}
	return out
}

// known is what a store's bench has learned: the version that the user names, the
// newest if she names none, and nothing for "none".
func known(dir, name string) (*learn.Constants, error) {
	if name == "none" {
		return nil, nil
	}
	if st, err := os.Stat(filepath.Join(dir, bench.RunsDir)); name == "" && (err != nil || !st.IsDir()) {
		return nil, nil // no store: the handbook
	}
	a, err := openArchive(dir)
	if err != nil && name != "" {
		return nil, fmt.Errorf("flag --constants: found %q, and %w", name, err)
	}
	if err != nil {
		return nil, err
	}
	s := learn.Open(dir, a)
	if name == "" {
		c, err := s.InForce()
		return c, input(err)
	}
	n, err := strconv.Atoi(name)
	if err != nil {
		return nil, input(fmt.Errorf("flag --constants: found %q; allowed: the number of a version or none", name))
	}
	if err := checkVersion(s, "constants", n); err != nil {
		return nil, err
	}
	c, err := s.Version(n)
	return c, input(err)
}
