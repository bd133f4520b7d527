package bench

import (
	"errors"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tipoff/calib/certificate"
	"tipoff/drivers/clock"
	"tipoff/logger/drift"
	"tipoff/logger/frame"
	"tipoff/logger/health"
)

// folder is a bench of two channels with a folder of certificates.
func folder(t *testing.T) (*Bench, *Calibrations) {
	t.Helper()
	c := &Calibrations{dir: t.TempDir()}
	l := &frame.Layout{Interval: 100 * time.Millisecond}
	for _, name := range []string{"manifold", "glass"} {
		role := frame.Pressure
		if name == "glass" {
			role = frame.Glass
		}
		one := calibrated{name: name, role: role.String()}
		_, one.chain = certificate.Follow(nil, nil)
		c.channels = append(c.channels, one)
		l.Channels = append(l.Channels, frame.Channel{Name: name, Role: role})
	}
	c.watch = drift.New(l, nil, 101325)
	k := health.Declare()
	v := clock.NewVirtual(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), 0)
	return &Bench{kinds: k, health: health.New(k.All()), log: slog.New(slog.DiscardHandler),
		opt: Options{Calibrations: c, Layout: l, Clock: v}}, c
}

func offset(t *testing.T, dir string, day int) string {
	t.Helper()
	date := time.Date(2026, 11, day, 8, 0, 0, 0, time.UTC)
	c := certificate.Certificate{Channel: "glass", Role: "glass", Procedure: "ice", Date: date, Due: date.AddDate(1, 0, 0), Who: "Em",
		Room: math.NaN(), Change: math.NaN(), Drift: 1, Points: []certificate.Point{{Reference: 0, Indicated: -1, U: 0.1, Note: "ice"}}}
	var err error
	if c.Fit, err = certificate.Solve(c.Points, certificate.Offset); err != nil {
		t.Fatal(err)
	}
	path, err := certificate.Write(dir, c)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func damage(t *testing.T, dir, channel, text string) string {
	t.Helper()
	path := filepath.Join(dir, channel+"-20991125T140500Z-001.toml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// What cannot be used is tried again once a minute, not each second, for as long as the
// folder is as it was.
func TestBadCertificateIsNotReadEachSecond(t *testing.T) {
	b, c := folder(t)
	c.stamp = stampOf(c.dir)
	c.wrong = errors.New("as it was read last")
	for b.frame.Seq = 4; b.frame.Seq < 603; b.frame.Seq++ {
		if b.followCertificates(0); c.wrong == nil {
			t.Fatalf("read again at frame %d", b.frame.Seq)
		}
	}
	if b.followCertificates(0); c.wrong != nil {
		t.Error("not read again after a minute")
	}
	path := damage(t, c.dir, "glass", "channel =")
	b.frame.Seq = 613
	if b.followCertificates(0); c.wrong == nil {
		t.Error("a new file is not read within a second")
	}
	// One that grows while the times stay what they are, as within their resolution.
	dir, err1 := os.Stat(c.dir)
	file, err2 := os.Stat(path)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	before := stampOf(c.dir)
	damage(t, c.dir, "glass", "channel = \"glass\"")
	if err := errors.Join(os.Chtimes(path, file.ModTime(), file.ModTime()), os.Chtimes(c.dir, dir.ModTime(), dir.ModTime())); err != nil {
		t.Fatal(err)
	}
	if stampOf(c.dir) == before {
		t.Error("a file that grew is no change")
	}
}

// The errors are told by channel, in the layout's order, those of other channels not at
// all.
func TestCertificateErrorsByChannel(t *testing.T) {
	_, c := folder(t)
	for _, channel := range []string{"glass", "another", "manifold"} {
		damage(t, c.dir, channel, "channel =")
	}
	c.read()
	lines := strings.Split(c.wrong.Error(), "\n")
	if len(lines) < 2 || !strings.HasPrefix(lines[0], "channel manifold: ") || !strings.Contains(c.wrong.Error(), "channel glass: ") ||
		strings.Index(c.wrong.Error(), "channel glass: ") < strings.LastIndex(c.wrong.Error(), "channel manifold: ") || strings.Contains(c.wrong.Error(), "another") {
		t.Errorf("told: %v", c.wrong)
	}
}

// A folder or a file that cannot be read for a while does not take a correction away; a
// newer certificate that can be read counts all the same, and one that was taken away
// does not.
func TestUnreadableFolderLeavesCorrectionsOn(t *testing.T) {
	_, c := folder(t)
	glass := &c.channels[1]
	first := offset(t, c.dir, 20)
	if news := c.read(); len(news) != 1 || glass.value == nil || c.wrong != nil {
		t.Fatalf("%+v, %v, %v", news, glass.value, c.wrong)
	}
	away := c.dir + ".away"
	if err := errors.Join(os.Rename(c.dir, away), os.WriteFile(c.dir, nil, 0o644)); err != nil {
		t.Fatal(err)
	}
	if news := c.read(); len(news) != 0 || glass.value == nil || c.wrong == nil || strings.Count(c.wrong.Error(), "reading the folder") != 1 {
		t.Errorf("folder unreadable: %+v, in force %v, told %v", news, glass.value, c.wrong)
	}
	if err := errors.Join(os.Remove(c.dir), os.Rename(away, c.dir)); err != nil {
		t.Fatal(err)
	}
	// The file in force is damaged.
	text, err := os.ReadFile(first)
	if err = errors.Join(err, os.Chmod(first, 0o644), os.WriteFile(first, text[:20], 0o644)); err != nil {
		t.Fatal(err)
	}
	offset(t, c.dir, 10)
	if c.read(); glass.value == nil || glass.value.Date.Day() != 20 || c.wrong == nil {
		t.Errorf("its file damaged: in force %v, told %v", glass.value, c.wrong)
	}
	third := offset(t, c.dir, 22)
	if c.read(); glass.value == nil || glass.value.Date.Day() != 22 {
		t.Errorf("a newer one beside the damaged: in force %v", glass.value)
	}
	if err := errors.Join(os.Remove(first), os.Remove(third)); err != nil {
		t.Fatal(err)
	}
	if c.read(); glass.value == nil || glass.value.Date.Day() != 10 || c.wrong != nil {
		t.Errorf("taken away: in force %v, told %v", glass.value, c.wrong)
	}
}
