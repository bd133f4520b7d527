package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path"
	"path/filepath"
	"time"

	"tipoff/deploy"
	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
	"tipoff/drivers/registry"
	"tipoff/logger/ageing"
	"tipoff/logger/config"
	"tipoff/logger/phase"
	"tipoff/logger/sheet"
)

const petrelPier = "petrel-pier"

// demo records run after run of the invented job on the emulated bench: the
// same drivers, on models of the same chips, wired to a model of a plant.
func demo(ctx context.Context, e *env, args []string) error {
	fs := e.flags()
	speed := fs.Float64("speed", 20, "bench seconds per real second, 0.1 to 100000")
	listen := fs.String("listen", "127.0.0.1:8077", "address of the page")
	store := fs.String("store", "tipoff-demo", "folder for the runs; made if it is not there")
	seed := fs.Uint64("seed", 1, "which demonstration: the same seed gives the same runs")
	aging := fs.Bool("ageing", false, "instead, a tube that ages on its own supply for eight hours, with a photodiode")
	count := fs.Int("runs", 0, "end after this many runs; 0 goes on until interrupted")
	if _, err := e.parse(fs, args, 0, 0); err != nil {
		return err
	}
	if !(*speed >= 0.1 && *speed <= 100000) {
		return input(fmt.Errorf("flag --speed: found %v; allowed: 0.1 to 100000", *speed))
	}
	if *count < 0 {
		return input(fmt.Errorf("flag --runs: found %d; allowed: 0 or more", *count))
	}
	text, err := deploy.PetrelPier.ReadFile(petrelPier + "/bench.toml")
	if err != nil {
		return err
	}
	if *aging {
		text = withLight(text)
	}
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		return err
	}
	cfg.Store.Directory, cfg.Page.Listen, cfg.Forward = *store, *listen, nil
	v := clock.NewVirtual(time.Now(), *speed)
	board := emulated.NewBoard(v)
	show := plant.NewShow(v, *seed)
	if *aging {
		wireAger(board, v, *seed)
	} else {
		show.Wire(board, plant.DefaultWiring())
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	closed := 0
	d := &station{
		cfg: cfg, text: text, ports: board, clock: v, speed: *speed, emulated: true, patient: true,
		log: slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: slog.LevelError})),
	}
	d.closed = func(dir string, s *sheet.Sheet) {
		fmt.Fprintf(e.out, "run %s, tube %s: %s\n", filepath.Base(dir), s.Run.Tube, s.Verdict.Text)
		if closed++; closed == *count {
			stop()
		}
	}
	d.onFrame = e.progress(d)
	if err := d.open(); err != nil {
		return err
	}
	if *aging {
		// One that an earlier demonstration left unfinished goes on.
		if err := d.bench.Age([]byte(demoAgeing)); err != nil && !errors.Is(err, ageing.ErrBusy) {
			return input(err)
		}
	}
	show.OnHang = func(card string) {
		text, err := deploy.PetrelPier.ReadFile(path.Join(petrelPier, card+".toml"))
		if err == nil {
			err = d.bench.QueueCard(card+".toml", text)
		}
		if err != nil {
			d.log.Error("queueing a tube card", "card", card, "error", err)
		}
	}
	fmt.Fprintf(e.out, "emulated bench at %v times real time\nbench page: http://%s/\nruns: %s\n", *speed, d.address(), *store)
	return d.run(ctx, nil)
}

// progress prints each new phase.
func (e *env) progress(d *station) func(time.Duration) {
	last := phase.ID(255)
	return func(at time.Duration) {
		p, tube := d.bench.Step()
		if p == last {
			return
		}
		last = p
		fmt.Fprintf(e.out, "%8.1f min  %-6s %s\n", at.Minutes(), tube, p)
	}
}
