package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tipoff/calib/certificate"
	"tipoff/deploy"
	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/host"
	"tipoff/drivers/registry"
	"tipoff/logger/bench"
	procedures "tipoff/logger/calibrate"
	"tipoff/logger/chart"
	"tipoff/logger/config"
	"tipoff/logger/frame"
	"tipoff/logger/health"
	"tipoff/logger/sampler"
)

// calibrate guides the calibration of one channel in the terminal.
func calibrate(ctx context.Context, e *env, args []string) error {
	return calibrateFrom(ctx, e, args, os.Stdin)
}

// calibration is a guided calibration in the terminal. Its loop runs in a
// goroutine of the clock.
type calibration struct {
	out      io.Writer
	clock    clock.Clock
	sampler  *sampler.Sampler
	layout   *frame.Layout
	frame    frame.Frame
	session  *procedures.Session
	lines    <-chan string
	rehearse *rehearsal // nil on a real bench
	patience time.Duration
	next     time.Duration
	picture  string
	format   chart.Format  // of picture
	store    string        // folder of certificates
	runs     string        // folder of the bench's files, with its runs
	ownLag   time.Duration // of bench.toml
}

func calibrateFrom(ctx context.Context, e *env, args []string, in io.Reader) error {
	fs := e.flags()
	benchFile := fs.String("bench", "/etc/tipoff/bench.toml", "the bench's description")
	emulated := fs.Bool("emulated", false, "rehearse on the demo's emulated bench")
	speed := fs.Float64("speed", 1, "with --emulated: bench seconds per real second, 0.1 to 100000")
	against := fs.String("against", "", "one or more of ice, boiling, thermometer, atmosphere, base, utube, clamp, with commas; or step, or run, for the time constant of a thermocouple")
	lagFrom := fs.String("lag-from", "", "find the time constant in the record of this run (or runs, with commas); no device is touched")
	who := fs.String("who", os.Getenv("USER"), "who calibrates")
	instrument := fs.String("reference-instrument", "", "name of the reference instrument")
	serial := fs.String("reference-serial", "", "its serial number")
	limit := fs.String("reference-limit", "", `its limits of error, such as "0.5 K" or "1.5 % + 2 mA"`)
	instrumentDue := fs.String("reference-due", "", "when its own calibration is due, such as 2027-03-01")
	room := fs.String("room", "", `room temperature, such as "21 °C"`)
	kind := fs.String("kind", "", "correction to fit; default: chosen by channel and number of points")
	months := fs.Int("months", 12, "months until the calibration is due again, 1 to 60")
	note := fs.String("note", "", "a note for the certificate")
	picture := fs.String("picture", "", "write points, fit and residuals to this .svg or .png file")
	patience := fs.Duration("patience", 15*time.Minute, "how long to wait for a reading to settle")
	dir := fs.String("store", "", "folder of the runs; default: that of bench.toml")
	operands, err := e.parse(fs, args, 1, 1)
	if err != nil {
		return err
	}
	format, err := pictureFormat(*picture)
	if err != nil {
		return err
	}
	switch {
	case !(*speed >= 0.1 && *speed <= 100000):
		return input(fmt.Errorf("flag --speed: found %v; allowed: 0.1 to 100000", *speed))
	case *months < 1 || *months > 60:
		return input(fmt.Errorf("flag --months: found %d; allowed: 1 to 60", *months))
	case *patience < time.Second:
		return input(fmt.Errorf("flag --patience: found %v; allowed: at least 1s", *patience))
	}
	cfg, err := calibrationBench(*benchFile, *emulated)
	if err != nil {
		return err
	}
	ch, err := channelNamed(cfg, operands[0])
	if err != nil {
		return err
	}
	c := &calibration{out: e.out, patience: *patience, picture: *picture, format: format, runs: cfg.Store.Directory}
	if *dir != "" {
		c.runs = *dir
	}
	c.store = filepath.Join(c.runs, bench.CertificatesDir)
	o := procedures.Options{
		Channel: ch.Name, Role: ch.Role, Who: *who, Note: *note, Kind: certificate.Kind(*kind), Months: *months,
		Logarithmic: ch.Calibration.Logarithmic(),
		Instrument:  certificate.Instrument{Name: *instrument, Serial: *serial},
	}
	kinds := slices.DeleteFunc(certificate.KindsOf(ch.Role.String()), func(k certificate.Kind) bool { return k == certificate.TimeConstant })
	if o.Kind != "" && !slices.Contains(kinds, o.Kind) {
		return input(fmt.Errorf("flag --kind: found %q; allowed for a %s channel: %v", *kind, ch.Role, kinds))
	}
	if *limit != "" {
		if o.Instrument.Limit, o.Instrument.Fraction, err = procedures.ParseLimit(*limit, ch.Role); err != nil {
			return input(err)
		}
	}
	if *instrumentDue != "" {
		if o.Instrument.Due, err = time.Parse(time.DateOnly, *instrumentDue); err != nil {
			return input(fmt.Errorf("flag --reference-due: found %q; allowed: a date like 2027-03-01", *instrumentDue))
		}
	}
	if o.Room, err = procedures.ParseRoom(*room); err != nil {
		return input(err)
	}
	var trouble error
	if o.Previous, trouble = certificate.Latest(c.store, ch.Name); trouble != nil {
		fmt.Fprintf(e.err, "notice: %v\n", trouble)
	}
	// A file that cannot be read has been told of.
	o.PreviousLag, _ = certificate.LatestLag(c.store, ch.Name)
	c.ownLag = ch.Calibration.Params.Lag
	ways := strings.Split(*against, ",")
	switch {
	case *lagFrom != "" && *against != "":
		return input(errors.New("flag --lag-from: found beside --against; allowed: one or the other"))
	case *lagFrom != "":
		ways = []string{"run"}
	case *against == "":
		ways = usualWay(ch.Role)
	}
	for i, w := range ways { // before anything is touched
		ways[i] = strings.TrimSpace(w)
		if c.session, err = procedures.New(o, ways[i]); err != nil {
			return input(err)
		}
		if c.session.Procedure().Lag && len(ways) > 1 {
			return input(fmt.Errorf("flag --against: found %s beside other ways; allowed: alone, as a time constant has a certificate of its own", ways[i]))
		}
	}
	if c.session, err = procedures.New(o, ways[0]); err != nil {
		return input(err)
	}
	if *lagFrom != "" {
		return c.fromRuns(ctx, strings.Split(*lagFrom, ","), in)
	}
	return c.open(ctx, cfg, ch, *emulated, *speed, ways, in)
}

// calibrationBench reads bench.toml, or takes the demo's.
func calibrationBench(file string, emulated bool) (*config.Bench, error) {
	if !emulated {
		_, cfg, err := readBench(file)
		return cfg, err
	}
	text, err := deploy.PetrelPier.ReadFile(petrelPier + "/bench.toml")
	if err != nil {
		return nil, err
	}
	cfg, err := config.Parse("bench.toml", text, registry.All())
	if err != nil {
		return nil, err
	}
	cfg.Store.Directory = "tipoff-demo"
	return cfg, nil
}

func channelNamed(cfg *config.Bench, name string) (config.Channel, error) {
	var names []string
	for _, c := range cfg.Channels {
		if c.Name == name {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return config.Channel{}, input(fmt.Errorf("no channel %q in bench.toml; allowed: %s", name, strings.Join(names, ", ")))
}

// usualWay is what to calibrate against when the user does not say.
func usualWay(r frame.Role) []string {
	switch r {
	case frame.Pressure:
		return []string{"atmosphere"}
	case frame.Current:
		return []string{"clamp"}
	}
	return []string{"ice", "boiling"}
}

// open opens the channel's device, and no other, and runs the dialogue.
func (c *calibration) open(ctx context.Context, cfg *config.Bench, ch config.Channel, emulated bool, speed float64, ways []string, in io.Reader) error {
	one := *cfg
	// Without a store no certificate is found, so none is applied to what is read.
	one.Channels, one.Sounders, one.Store.Directory = []config.Channel{ch}, nil, ""
	var ports drivers.Ports = &host.Ports{}
	c.clock = clock.System{}
	if emulated {
		v := clock.NewVirtual(time.Now(), speed)
		c.clock = v
		c.rehearse, ports = newRehearsal(v, ch)
	}
	parts, err := bench.FromConfig(&one, registry.All(), ports, c.clock)
	if err != nil {
		return input(err)
	}
	kinds := health.Declare()
	c.layout = parts.Layout
	c.sampler, err = sampler.New(c.clock, parts.Layout, parts.Devices, parts.Chains, health.New(kinds.All()), kinds)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	c.lines = readLines(ctx, in)
	wait := c.sampler.Start(ctx)
	ended := make(chan error, 1)
	c.clock.Go(func() { ended <- c.dialogue(ctx, ways) })
	err = <-ended
	cancel()
	wait()
	return err
}

// readLines hands over what the user types, line by line, until the end.
func readLines(ctx context.Context, in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		s := bufio.NewScanner(in)
		for s.Scan() {
			select {
			case lines <- strings.TrimSpace(s.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return lines
}

// tick waits for the next frame and takes it in.
func (c *calibration) tick(ctx context.Context) error {
	now := c.clock.Now()
	if c.next += c.layout.Interval; c.next < now {
		c.next = now + c.layout.Interval
	}
	if err := c.clock.SleepUntil(ctx, c.next); err != nil {
		return err
	}
	c.frame.Seq++
	c.sampler.Collect(c.next, &c.frame)
	c.session.Step(c.next, &c.frame.Readings[0], c.sampler.RawAt(0))
	return nil
}

// settle shows the reading until it has settled.
func (c *calibration) settle(ctx context.Context) error {
	begin := c.clock.Now()
	said := begin
	for {
		if err := c.tick(ctx); err != nil {
			return err
		}
		st, now := c.session.State(), c.clock.Now()
		if c.rehearse != nil && st.Ready {
			if words := c.rehearse.step(); words != "" {
				fmt.Fprintf(c.out, "%6.0f s  %s\n%s\n", (now - begin).Seconds(), st, words)
			}
		}
		if st.Settled {
			fmt.Fprintf(c.out, "%6.0f s  %s\n", (now - begin).Seconds(), st)
			return nil
		}
		if now-said >= 2*time.Second {
			fmt.Fprintf(c.out, "%6.0f s  %s\n", (now - begin).Seconds(), st)
			said = now
		}
		if now-begin > c.patience {
			return fmt.Errorf("the reading has not settled within %v: %s", c.patience, st.Why)
		}
	}
}

var errNoAnswer = errors.New("the input ended before the calibration did; nothing was kept")

// ask puts a question and goes on reading the channel until it is answered.
func (c *calibration) ask(ctx context.Context, question string) (string, error) {
	fmt.Fprintf(c.out, "%s: ", question)
	for {
		select {
		case line, ok := <-c.lines:
			if !ok {
				return "", errNoAnswer
			}
			return line, nil
		default:
		}
		if err := c.tick(ctx); err != nil {
			return "", err
		}
	}
}

// dialogue goes through the procedures, then shows and keeps the result.
func (c *calibration) dialogue(ctx context.Context, ways []string) error {
	c.next = c.clock.Now()
	for _, w := range ways {
		if err := c.session.Use(w); err != nil {
			return input(err)
		}
		if err := c.points(ctx, true); err != nil {
			return err
		}
	}
	for {
		now, _ := c.clock.Wall()
		cert, err := c.session.Result(now)
		if err == nil {
			return c.keep(ctx, &cert)
		}
		fmt.Fprintf(c.out, "\nNo calibration: %v.\n", err)
		answer, askErr := c.ask(ctx, "r takes the last point again, m takes one more, anything else gives up")
		if askErr != nil {
			return errors.Join(input(err), askErr)
		}
		switch answer {
		case "r":
			c.session.Undo()
		case "m":
		default:
			return input(err)
		}
		if err := c.points(ctx, false); err != nil {
			return err
		}
	}
}

// points takes the points of the procedure in use: all, or just one.
func (c *calibration) points(ctx context.Context, all bool) error {
	p := c.session.Procedure()
	if all {
		fmt.Fprintf(c.out, "\n%s\n", p.Title)
		for i, s := range p.Steps {
			fmt.Fprintf(c.out, "  %d. %s\n", i+1, s)
		}
	}
	for {
		if err := c.point(ctx, p); err != nil {
			return err
		}
		if !all || !p.Repeats {
			return nil
		}
	again:
		answer, err := c.ask(ctx, "Enter takes another point, u undoes this one, d is done")
		if err != nil {
			return err
		}
		switch answer {
		case "d":
			return nil
		case "u":
			c.session.Undo()
			fmt.Fprintf(c.out, "undone; %d left\n", c.session.Taken())
			goto again
		}
	}
}

// point takes one point; what is answered wrongly is asked again.
func (c *calibration) point(ctx context.Context, p procedures.Procedure) error {
	if c.rehearse != nil {
		fmt.Fprintln(c.out, c.rehearse.set(p.Name))
	}
	if p.Recorded {
		return c.askRun(ctx, p)
	}
	c.session.Restart() // what was read before belongs to the setting before
	for {
		if err := c.settle(ctx); err != nil {
			return err
		}
		answers := map[string]string{}
		for _, a := range p.Asks {
			text, err := c.ask(ctx, fmt.Sprintf("%s (such as %s)", a.Prompt, a.Example))
			if err != nil {
				return err
			}
			answers[a.Key] = strings.Trim(text, `"`)
		}
		if err := c.session.Take(answers); err != nil {
			fmt.Fprintf(c.out, "not taken: %v\n", err)
			if len(p.Asks) > 0 {
				continue
			}
			return err
		}
		word := "point"
		if p.Lag {
			word = "trial"
		}
		fmt.Fprintf(c.out, "%s %d taken\n", word, c.session.Taken())
		return nil
	}
}

// keep shows the result and writes the certificate if the user wants it.
func (c *calibration) keep(ctx context.Context, cert *certificate.Certificate) error {
	return c.keepIf(cert, func(question string) (string, error) { return c.ask(ctx, question) })
}

func (c *calibration) keepIf(cert *certificate.Certificate, ask func(question string) (string, error)) error {
	fmt.Fprintf(c.out, "\n%s", procedures.Table(cert))
	if c.picture != "" {
		if err := c.draw(cert); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "picture: %s\n", c.picture)
	}
	answer, err := ask("Keep this calibration? yes or no")
	if err != nil {
		return err
	}
	if answer != "yes" && answer != "y" {
		fmt.Fprintln(c.out, "not kept")
		return nil
	}
	var picture bytes.Buffer
	if err := c.session.Picture(&picture, chart.SVG, cert); err != nil {
		return err
	}
	path, err := procedures.Keep(c.store, *cert, picture.Bytes())
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "certificate: %s\npicture: %s\n", path, strings.TrimSuffix(path, ".toml")+".svg")
	if cert.IsLag() && c.ownLag > 0 {
		fmt.Fprintf(c.out, "Its %.2f s go before the lag of %.2f s in bench.toml.\n", cert.Lag.Tau, c.ownLag.Seconds())
	}
	fmt.Fprintln(c.out, "A daemon that runs on this store takes it into force within a second, or after the run that it is recording.")
	return nil
}

func (c *calibration) draw(cert *certificate.Certificate) (err error) {
	f, err := os.Create(c.picture)
	if err != nil {
		return input(fmt.Errorf("drawing the calibration: %w", err))
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return c.session.Picture(f, c.format, cert)
}
