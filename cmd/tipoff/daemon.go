package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"golang.org/x/sync/errgroup"

	"tipoff/calib/certificate"
	"tipoff/drivers"
	"tipoff/drivers/buzzer"
	"tipoff/drivers/clock"
	"tipoff/drivers/host"
	"tipoff/drivers/lamp"
	"tipoff/drivers/registry"
	"tipoff/drivers/speaker"
	"tipoff/logger/bench"
	deskpage "tipoff/logger/calibrate"
	"tipoff/logger/config"
	"tipoff/logger/forward"
	"tipoff/logger/learn"
	"tipoff/logger/metrics"
	"tipoff/logger/page"
	"tipoff/logger/sheet"
)

// serve records on the bench that bench.toml describes.
func serve(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	file := fs.String("bench", "/etc/tipoff/bench.toml", "the bench's description")
	listen := fs.String("listen", "", "address of the page, instead of bench.toml's")
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	text, cfg, err := readBench(*file)
	if err != nil {
		return err
	}
	if *listen != "" {
		cfg.Page.Listen = *listen
	}
	log := slog.New(slog.NewTextHandler(e.err, nil))
	d := &station{cfg: cfg, text: text, ports: &host.Ports{}, clock: clock.System{}, log: log, speed: 1}
	if err := d.open(); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "bench page: http://%s/\nruns: %s\n", d.address(), cfg.Store.Directory)
	return d.run(ctx, nil)
}

func readBench(file string) ([]byte, *config.Bench, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, nil, input(fmt.Errorf("reading the bench's description: %w", err))
	}
	cfg, err := config.Parse(file, text, registry.All())
	return text, cfg, input(err)
}

// station is a bench with its page and metrics.
type station struct {
	cfg      *config.Bench
	text     []byte
	ports    drivers.Ports
	clock    clock.Clock
	parts    *bench.Parts // nil: as cfg says
	log      *slog.Logger
	speed    float64
	emulated bool
	patient  bool
	whole    bool
	traced   bool // what is recorded is a trace of another time
	closed   func(dir string, s *sheet.Sheet)
	onFrame  func(at time.Duration)

	bench    *bench.Bench
	drawer   *drawer
	learner  *learner
	grace    time.Duration  // for the sheets at the end
	desk     *deskpage.Desk // nil: no page
	listener net.Listener   // nil: no page
	forward  *forward.Forwarder
}

// open makes everything that can fail before the first frame.
func (d *station) open() error {
	if d.parts == nil {
		p, err := bench.FromConfig(d.cfg, registry.All(), d.ports, d.clock)
		if err != nil {
			return input(err)
		}
		d.parts = p
	}
	d.drawer, d.grace = newDrawer(d.log, d.judged), drawGrace
	d.learner = newLearner() // a run that was interrupted may be judged before bench.New returns
	var err error
	d.bench, err = bench.New(bench.Options{
		Clock: d.clock, Name: d.cfg.Name, Layout: d.parts.Layout, Devices: d.parts.Devices, Chains: d.parts.Chains,
		Calibrations: d.parts.Calibrations, OnCalibrated: d.calibrated,
		Outputs: outputs(d.cfg.Sounders, d.ports), Directory: d.cfg.Store.Directory,
		Envelope: bench.PlantOf(d.cfg), BenchText: string(d.text),
		Version: version(), Speed: d.speed, Emulated: d.emulated, Log: d.log,
		Patient: d.patient, Whole: d.whole, OnClosed: d.drawer.add, OnFrame: d.frame,
	})
	if err != nil {
		return err
	}
	d.learner.open(d)
	if d.cfg.Page.Listen == "" {
		return nil
	}
	d.desk = deskpage.NewDesk(filepath.Join(d.cfg.Store.Directory, bench.CertificatesDir), d.parts.Desk, func() time.Time {
		wall, _ := d.clock.Wall()
		return wall
	}, func(name string) (string, error) {
		run, err := d.bench.Archive().Find(name)
		return run.Dir, err
	})
	d.parts.Calibrations.Each(d.desk.Applied)
	d.desk.Drift(d.bench.DriftOf)
	if d.listener, err = net.Listen("tcp", d.cfg.Page.Listen); err != nil {
		return input(fmt.Errorf("opening the page's address %q: %w", d.cfg.Page.Listen, err))
	}
	if f := d.cfg.Forward; f != nil {
		if d.forward, err = openForward(f, d); err != nil {
			return input(err)
		}
	}
	return nil
}

// judged is called for each run that has its sheet.
func (d *station) judged(dir string, s *sheet.Sheet) {
	d.learner.wake()
	if d.closed != nil {
		d.closed(dir, s)
	}
}

// calibrated is called when another certificate comes into force.
func (d *station) calibrated(channel string, applied *certificate.Certificate) {
	if d.desk != nil {
		d.desk.Applied(channel, applied)
	}
}

// frame is called after each frame.
func (d *station) frame(at time.Duration) {
	if d.desk != nil {
		d.bench.View(d.desk.Feed)
	}
	if d.onFrame != nil {
		d.onFrame(at)
	}
}

// outputs are the alarm's outputs, each opened by itself.
func outputs(cfg []config.Sounder, ports drivers.Ports) (all []bench.Output) {
	for i := range cfg {
		where := cfg[i].Line
		if cfg[i].Driver == "speaker" {
			where = cfg[i].Device
		}
		all = append(all, bench.Output{Name: cfg[i].Driver + " on " + where, Open: func() (drivers.Sounder, error) {
			return openSounder(&cfg[i], ports)
		}})
	}
	return all
}

// openSounder opens one of the alarm's outputs. One that is not there now may come with
// an error beside it and try again by itself.
func openSounder(cfg *config.Sounder, ports drivers.Ports) (drivers.Sounder, error) {
	// A nil *Dev must not become a non-nil interface.
	switch cfg.Driver {
	case "speaker":
		dev, err := speaker.Open(speaker.Options{Device: cfg.Device, Level: cfg.Level})
		if dev == nil {
			return nil, err
		}
		return dev, err
	case "lamp":
		dev, err := lamp.Open(ports, lamp.Options{Line: cfg.Line, ActiveLow: cfg.ActiveLow, Flash: cfg.Flash})
		if err != nil {
			return nil, err
		}
		return dev, nil
	}
	dev, err := buzzer.Open(ports, buzzer.Options{Line: cfg.Line, ActiveLow: cfg.ActiveLow, Steady: cfg.Steady, Tone: cfg.Tone})
	if err != nil {
		return nil, err
	}
	return dev, nil
}

func (d *station) address() string {
	if d.listener == nil {
		return ""
	}
	return d.listener.Addr().String()
}

// run serves page and metrics and makes frames until ctx ends or done says so.
func (d *station) run(ctx context.Context, done func(time.Duration) bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	group, ctx := errgroup.WithContext(ctx)
	// The bench: when it ends, all ends.
	group.Go(func() error {
		defer cancel()
		err := d.bench.Run(ctx, done)
		if ctx.Err() == nil {
			d.drawer.wait() // it has ended by itself: the sheets are what it was for
		}
		return err
	})
	if d.listener != nil {
		d.drawer.addDue(d.bench.Archive())
		srv := d.server()
		group.Go(func() error {
			if err := srv.Serve(d.listener); !errors.Is(err, http.ErrServerClosed) {
				return fmt.Errorf("serving the page: %w", err)
			}
			return nil
		})
		group.Go(func() error {
			<-ctx.Done()
			end, stop := context.WithTimeout(context.Background(), 2*time.Second)
			defer stop()
			if srv.Shutdown(end) != nil {
				return srv.Close() // a page that stays open must not hold up the end
			}
			return nil
		})
	}
	if d.forward != nil {
		group.Go(func() error {
			if err := d.forward.Run(ctx); !errors.Is(err, context.Canceled) {
				return err
			}
			return nil
		})
	}
	group.Go(func() error {
		d.learner.run(ctx)
		return nil
	})
	group.Go(func() error { return d.watchdog(ctx) })
	err := group.Wait()
	d.drawer.leave(d.grace)
	d.learner.end(learnGrace)
	return err
}

func (d *station) server() *http.Server {
	mux := http.NewServeMux()
	mux.Handle("/metrics", metrics.Handler(metrics.NewCollector(d.bench, d.bench.Definitions(), d.learner.inForce.Load)))
	mux.Handle("/calibrate/", deskpage.Handler(d.desk))
	mux.Handle("/", page.New(d.bench, d.bench.Archive(), learn.Open(d.cfg.Store.Directory, d.bench.Archive())))
	return &http.Server{
		Handler:           mux,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
	}
}

// watchdog tells the service manager that the bench is ready once it makes
// frames, and that it lives as long as it goes on making them.
func (d *station) watchdog(ctx context.Context) error {
	period, err := daemon.SdWatchdogEnabled(false)
	if err != nil || period == 0 {
		period = 2 * time.Second
	}
	tick := time.NewTicker(min(period/2, 250*time.Millisecond))
	defer tick.Stop()
	var ready bool
	var last, pinged time.Duration
	for {
		select {
		case <-ctx.Done():
			_, err := daemon.SdNotify(false, daemon.SdNotifyStopping)
			return err
		case <-tick.C:
		}
		beat := d.bench.Beat()
		if beat == last {
			continue // no new frame: stay silent and let the manager decide
		}
		last = beat
		if !ready {
			ready = true
			if _, err := daemon.SdNotify(false, daemon.SdNotifyReady); err != nil {
				return fmt.Errorf("telling the service manager that the bench is ready: %w", err)
			}
		}
		if beat-pinged >= period/4 {
			pinged = beat
			if _, err := daemon.SdNotify(false, daemon.SdNotifyWatchdog); err != nil {
				return fmt.Errorf("answering the watchdog: %w", err)
			}
		}
	}
}
