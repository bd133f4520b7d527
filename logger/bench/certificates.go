package bench

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"tipoff/calib/certificate"
	"tipoff/logger/calibrate"
	"tipoff/logger/config"
	"tipoff/logger/drift"
	"tipoff/logger/journal"
	"tipoff/logger/status"
)

// CertificatesDir is where certificates are in the folder of a bench.
const CertificatesDir = "certificates"

// Calibrations are the certificates in force on a bench. The folder that holds
// them is written by 'tipoff calibrate', another process, and by the pages.
type Calibrations struct {
	dir      string // "": no certificates are looked for
	channels []calibrated
	stamp    stamp // of the folder when it was read last
	wrong    error // what kept certificates from being used, then

	watch    *drift.Watch
	heated   []drift.Heated // what the last runs say of the glass reading's gain
	driftErr error          // why what was seen of drift before could not be read
	store    string
	toKeep   atomic.Pointer[[]byte] // what was seen of drift, until it is on the disk
	keeping  sync.Mutex             // one writes at a time
}

// calibrated is one channel.
type calibrated struct {
	name, role string
	chain      *certificate.Corrected
	value, lag *certificate.Certificate // in force; nil: none
	ownLag     time.Duration            // of bench.toml
}

// stamp tells whether a folder has changed. The number of files is in it because
// two may come within the resolution of a folder's time, and what they hold and the
// newest one's time because neither a file that is still being written nor one that is
// corrected where it is changes the folder's.
type stamp struct {
	modified, newest time.Time
	files            int
	bytes            int64
}

func stampOf(dir string) stamp {
	st, err := os.Stat(dir)
	if err != nil {
		return stamp{}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return stamp{}
	}
	s := stamp{modified: st.ModTime(), files: len(entries)}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil {
			continue // taken away meanwhile, which is the folder's change
		}
		s.bytes += info.Size()
		if info.ModTime().After(s.newest) {
			s.newest = info.ModTime()
		}
	}
	return s
}

// certify puts certificates, now and later, behind the chains of their channels.
func (p *Parts) certify(cfg *config.Bench, wall func() (time.Time, bool)) {
	c := &Calibrations{}
	if cfg.Store.Directory != "" {
		c.store, c.dir = cfg.Store.Directory, filepath.Join(cfg.Store.Directory, CertificatesDir)
	}
	for i, ch := range cfg.Channels {
		d := calibrate.Channel{Name: ch.Name, Role: ch.Role, Logarithmic: ch.Calibration.Logarithmic()}
		p.Desk = append(p.Desk, d)
		one := calibrated{name: ch.Name, role: ch.Role.String(), ownLag: ch.Calibration.Params.Lag}
		p.Chains[i], one.chain = certificate.Follow(p.Chains[i], wall)
		c.channels = append(c.channels, one)
	}
	c.watch = drift.New(p.Layout, p.rest, cfg.RoomPressure)
	c.read()
	c.loadDrift()
	p.Calibrations = c
}

// adopted is a channel whose certificates in force have changed.
type adopted struct {
	index int
	text  string // what is in force now, for people
}

// retryFrames is after how many frames what could not be used is tried again although
// the folder is as it was: the disk may be well again.
const retryFrames = 600

// read takes the newest certificates of the folder into force. Where some of a channel's
// cannot be read, the one in force stays unless a newer one can be.
func (c *Calibrations) read() []adopted {
	if c.dir == "" {
		return nil
	}
	c.stamp = stampOf(c.dir) // before reading: what comes meanwhile is a change
	all, err := certificate.All(c.dir, "")
	// Of a folder with files that cannot be read the error is a list, else it is the
	// folder's own.
	bad, folder := []error(nil), err
	if list, ok := err.(interface{ Unwrap() []error }); ok {
		bad, folder = list.Unwrap(), nil
	}
	var wrong []error
	if folder != nil {
		wrong = append(wrong, folder)
	}
	var news []adopted
	for i := range c.channels {
		ch := &c.channels[i]
		unread := folder != nil
		for _, err := range bad {
			if strings.Contains(err.Error(), filepath.Join(c.dir, ch.name+"-")) {
				wrong = append(wrong, fmt.Errorf("channel %s: %w", ch.name, err))
				unread = true
			}
		}
		value := newest(all, ch, false, unread, &wrong)
		lagged := newest(all, ch, true, unread, &wrong)
		before := ch.value
		text := ch.use(value, lagged, &wrong)
		if ch.value != before {
			c.watch.Use(i, ch.value)
		}
		if text != "" {
			news = append(news, adopted{i, text})
		}
	}
	c.wrong = errors.Join(wrong...)
	return news
}

// newest is the certificate of the channel to take into force, nil for none. With unread
// there are some that nobody could read.
func newest(all []certificate.Certificate, ch *calibrated, isLag, unread bool, wrong *[]error) *certificate.Certificate {
	inForce := ch.value
	if isLag {
		inForce = ch.lag
	}
	for i := len(all) - 1; i >= 0; i-- {
		c := &all[i]
		if c.Channel != ch.name || c.IsLag() != isLag {
			continue
		}
		if c.Role != ch.role {
			*wrong = append(*wrong, fmt.Errorf("channel %s: its certificate is of a channel of role %s", ch.name, c.Role))
			return inForce
		}
		if unread && inForce != nil && c.Date.Before(inForce.Date) {
			return inForce
		}
		return c
	}
	if unread {
		return inForce
	}
	return nil
}

// use takes certificates into force and says what has changed, "" for nothing.
func (ch *calibrated) use(value, lagged *certificate.Certificate, wrong *[]error) string {
	var parts []string
	if !sameCertificate(value, ch.value) {
		ch.value = value
		ch.chain.Use(value)
		if value == nil {
			parts = append(parts, "no certificate; the data sheet's limits count")
		} else {
			parts = append(parts, fmt.Sprintf("certificate of %s (%s, by %s)", value.Date.Format("2006-01-02 15:04"), value.Procedure, value.Who))
		}
	}
	if sameCertificate(lagged, ch.lag) {
		return strings.Join(parts, "; ")
	}
	ok, err := ch.chain.UseLag(lagged)
	switch {
	case err != nil:
		*wrong = append(*wrong, fmt.Errorf("channel %s: %w", ch.name, err))
	case !ok:
		*wrong = append(*wrong, fmt.Errorf("channel %s: its certificate holds a time constant, but only the input of a thermocouple chip is corrected for lag", ch.name))
	default:
		ch.lag = lagged
		parts = append(parts, ch.lagWords())
	}
	return strings.Join(parts, "; ")
}

// lagWords says which time constant counts.
func (ch *calibrated) lagWords() string {
	switch {
	case ch.lag == nil && ch.ownLag == 0:
		return "no time constant: lag is not corrected"
	case ch.lag == nil:
		return fmt.Sprintf("time constant %.2f s of bench.toml", ch.ownLag.Seconds())
	case ch.ownLag == 0:
		return fmt.Sprintf("time constant %.2f s by the certificate of %s", ch.lag.Lag.Tau, ch.lag.Date.Format("2006-01-02 15:04"))
	}
	return fmt.Sprintf("time constant %.2f s by the certificate of %s, which goes before the %.2f s of bench.toml",
		ch.lag.Lag.Tau, ch.lag.Date.Format("2006-01-02 15:04"), ch.ownLag.Seconds())
}

func sameCertificate(a, b *certificate.Certificate) bool {
	if a == nil || b == nil {
		return a == b
	}
	return string(a.Encode()) == string(b.Encode())
}

// due is when the first of the channel's certificates has to be renewed; zero if
// there is none.
func (ch *calibrated) due() (due time.Time) {
	for _, c := range []*certificate.Certificate{ch.value, ch.lag} {
		if c != nil && (due.IsZero() || c.Due.Before(due)) {
			due = c.Due
		}
	}
	return due
}

// Each calls f with each channel and the certificate that corrects it; nil: none.
func (c *Calibrations) Each(f func(channel string, applied *certificate.Certificate)) {
	if c == nil {
		return
	}
	for i := range c.channels {
		f(c.channels[i].name, c.channels[i].value)
	}
}

// text is that of all certificates in force, one after the other, as recompute
// reads them back.
func (c *Calibrations) text() string {
	var b strings.Builder
	for i := range c.channels {
		for _, cert := range []*certificate.Certificate{c.channels[i].value, c.channels[i].lag} {
			if cert != nil {
				b.Write(cert.Encode())
			}
		}
	}
	return b.String()
}

// followCertificates looks into the folder of certificates once a second. What
// is new counts at once where no run is being recorded; else from the next run
// on, as one run is measured in one way. b.mu is held.
func (b *Bench) followCertificates(at time.Duration) {
	c := b.opt.Calibrations
	if c == nil || c.dir == "" || b.frame.Seq%10 != 3 {
		return
	}
	changed := stampOf(c.dir) != c.stamp
	if b.run.writer != nil {
		if changed {
			b.health.Set(b.kinds.CalibrationWaiting, "certificates", "", "a new calibration was written while a run is recorded",
				"nothing; it counts from the next run on", at)
		}
		return
	}
	if changed || c.wrong != nil && b.frame.Seq%retryFrames == 3 {
		b.adopt(at)
	}
}

// adopt takes new certificates into force.
func (b *Bench) adopt(at time.Duration) {
	c := b.opt.Calibrations
	news := c.read()
	b.health.Clear(b.kinds.CalibrationWaiting, "certificates", at)
	b.tellWrong(at)
	for _, n := range news {
		name := c.channels[n.index].name
		b.log.Info("calibration in force from now on", "channel", name, "now", n.text)
		b.adoptions = append(b.adoptions, "calibration of "+name+": "+n.text)
		if b.opt.OnCalibrated != nil {
			b.opt.OnCalibrated(name, c.channels[n.index].value)
		}
	}
	if len(news) > 0 {
		// Frames by the calibration before must not begin a run that says it was
		// measured by this one.
		b.pre, b.preNext = b.pre[:0], 0
		b.judgeCertificates(at)
	}
}

// tellAdoptions writes into a run that begins what has come into force since the
// last one.
func (b *Bench) tellAdoptions(at time.Duration) {
	for _, text := range b.adoptions {
		b.run.event(journal.Event{At: at, Kind: journal.Note, ID: "calibration", Text: text})
	}
	b.adoptions = b.adoptions[:0]
}

func (b *Bench) tellWrong(at time.Duration) {
	if err := b.opt.Calibrations.wrong; err != nil {
		b.health.Set(b.kinds.CertificateUnusable, "certificates", "", strings.ReplaceAll(err.Error(), "\n", "; "),
			"the newest certificate that can be read is used, else the data sheet's limits; correct or replace the file", at)
	} else {
		b.health.Clear(b.kinds.CertificateUnusable, "certificates", at)
	}
}

// judgeCertificates tells of calibrations past their date and of channels that
// drift.
func (b *Bench) judgeCertificates(at time.Duration) {
	wall, known := b.opt.Clock.Wall()
	for i := range b.opt.Calibrations.channels {
		ch := &b.opt.Calibrations.channels[i]
		if due := ch.due(); known && !due.IsZero() && wall.After(due) {
			b.health.Set(b.kinds.CalibrationOverdue, ch.name, "", "was due on "+due.Format("2006-01-02"),
				"run 'tipoff calibrate "+ch.name+"' or go to Calibrations on the page", at)
		} else {
			b.health.Clear(b.kinds.CalibrationOverdue, ch.name, at)
		}
		if why, do := b.opt.Calibrations.drift(i); why != "" {
			b.health.Set(b.kinds.CalibrationDrifting, ch.name, "", why, do, at)
		} else {
			b.health.Clear(b.kinds.CalibrationDrifting, ch.name, at)
		}
	}
}

// calibrationStatus fills in what readers see of the certificates.
func (b *Bench) calibrationStatus(out []status.Channel) {
	if b.opt.Calibrations == nil {
		return
	}
	wall, known := b.opt.Clock.Wall()
	for i := range b.opt.Calibrations.channels {
		ch := &b.opt.Calibrations.channels[i]
		s := &out[i]
		why, _ := b.opt.Calibrations.drift(i)
		s.Drifting, s.Drifts = why != "", b.opt.Calibrations.drifts(i)
		s.TimeConstant = ch.chain.TimeConstant()
		s.Change, s.ChangeU = math.NaN(), math.NaN()
		if s.Due = ch.due(); s.Due.IsZero() {
			continue
		}
		s.Overdue = known && wall.After(s.Due)
		if ch.value != nil && ch.value.ChangeU > 0 {
			s.Change, s.ChangeU = ch.value.Change, ch.value.ChangeU
		}
	}
}
