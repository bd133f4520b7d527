package iio

import (
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tipoff/drivers"
	"tipoff/drivers/clock"
	"tipoff/drivers/drivertest"
	"tipoff/drivers/emulated"
)

// pipe makes the device file a pipe.
func pipe(t testing.TB, root string) string {
	t.Helper()
	p := filepath.Join(root, "dev/iio:device0")
	if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mkfifo(p, 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// capturing starts a source that captures, and calls f with the end of the pipe at
// which the kernel writes, and with room for samples.
func capturing(t testing.TB, root string, cfg drivers.Config, f func(c *clock.Virtual, src *Dev, w *os.File, dst []drivers.Sample)) {
	t.Helper()
	dev := pipe(t, root)
	on(t, root, cfg, func(c *clock.Virtual, src *Dev) {
		if err := src.Start(ctx); err != nil {
			t.Error(err)
			return
		}
		w, err := os.OpenFile(dev, os.O_WRONLY, 0)
		if err != nil {
			t.Error(err)
			return
		}
		defer w.Close()
		f(c, src, w, make([]drivers.Sample, 512))
	})
}

// scan is two 12-bit codes (index 4 and 5), four bytes of padding, a timestamp.
func scan(a, b int16, at time.Duration) []byte {
	s := binary.LittleEndian.AppendUint16(nil, uint16(a<<4)|0xF)
	s = binary.LittleEndian.AppendUint16(s, uint16(b<<4)|0x3)
	s = append(s, 0xAA, 0xAA, 0xAA, 0xAA)
	return binary.LittleEndian.AppendUint64(s, uint64(at))
}

func TestCapture(t *testing.T) {
	const dir = "sys/bus/iio/devices/iio:device0/"
	root := tree(t, "ads1015.txt")
	cfg := config("name:ads1015", in("voltage1", "waveform", "yes", "rate", "1000/s", "trigger", "bench-timer"), in("voltage0"))
	capturing(t, root, cfg, func(c *clock.Virtual, src *Dev, w *os.File, dst []drivers.Sample) {
		for path, want := range map[string]string{
			dir + "buffer/enable": "1", dir + "buffer/length": "512", dir + "buffer/watermark": "20", dir + "trigger/current_trigger": "bench-timer",
			"sys/bus/iio/devices/trigger0/sampling_frequency": "1000", dir + "current_timestamp_clock": "boottime",
			dir + "scan_elements/in_voltage0_en": "1", dir + "scan_elements/in_voltage1_en": "1", dir + "scan_elements/in_voltage3_en": "0", dir + "scan_elements/in_timestamp_en": "1",
		} {
			if got := get(t, root, path); got != want {
				t.Errorf("%s is %q, want %q", path, got, want)
			}
		}
		_ = c.SleepUntil(ctx, time.Second)
		// Scans come in pieces that cut one in two.
		bytes := append(scan(100, -100, 990*time.Millisecond), scan(101, -2048, 991*time.Millisecond)...)
		bytes = append(bytes, scan(2047, -102, 992*time.Millisecond)...)
		write(t, w, bytes[:39])
		n, next, err := src.Read(ctx, dst)
		if n != 4 || err != nil || next <= c.Now() {
			t.Errorf("%d samples, next %v, %v", n, next, err)
		}
		_ = c.SleepUntil(ctx, next)
		write(t, w, bytes[39:])
		m, _, err := src.Read(ctx, dst[n:])
		if m != 2 || err != nil {
			t.Errorf("%d samples, %v", m, err)
		}
		want := []drivers.Sample{
			{At: 990 * time.Millisecond, Raw: -12.5, Input: 0}, {At: 990 * time.Millisecond, Raw: 200, Input: 1},
			{At: 991 * time.Millisecond, Raw: -256, Input: 0, Fault: drivers.Clipped}, {At: 991 * time.Millisecond, Raw: 202, Input: 1},
			{At: 992 * time.Millisecond, Raw: -12.75, Input: 0}, {At: 992 * time.Millisecond, Raw: 4094, Input: 1, Fault: drivers.Clipped},
		}
		for i, s := range dst[:6] {
			if !math.IsNaN(s.Aux) {
				t.Errorf("Aux %v", s.Aux)
			}
			if s.Aux = 0; s != want[i] {
				t.Errorf("sample %d: %+v, want %+v", i, s, want[i])
			}
		}

		// Silence: the capture still runs, then somebody has switched it off.
		silence := func() (err error) {
			for end := c.Now() + 3*time.Second; c.Now() < end && err == nil && src.Flag == 0; {
				var next time.Duration
				n, next, err = src.Read(ctx, dst)
				_ = c.SleepUntil(ctx, next)
			}
			return err
		}
		if err := silence(); !errors.Is(err, drivers.Transient) || !strings.Contains(drivers.HintOf(err), "trigger") {
			t.Errorf("silence: %v", err)
		}
		drivertest.Put(t, root, dir+"buffer/enable", "0")
		if err := silence(); err != nil || src.SettingsLost() != 1 || get(t, root, dir+"buffer/enable") != "1" {
			t.Errorf("switched off: %v, lost %d times", err, src.SettingsLost())
		}
		write(t, w, scan(1, 1, c.Now()-time.Millisecond))
		if n, _, err := src.Read(ctx, dst); n != 2 || err != nil || dst[0].Fault != drivers.Restored {
			t.Errorf("afterwards: %+v, %v", dst[:n], err)
		}
	})
	if got := get(t, root, dir+"buffer/enable"); got != "0" {
		t.Errorf("after Close buffer/enable is %q", got)
	}
}

// captured is a converter whose buffer is read.
func captured(t testing.TB) drivertest.Subject {
	folder := drivertest.Folder(t)
	return drivertest.Subject{
		Driver: Driver(), Config: config("name:ads1015", in("voltage0", "waveform", "yes", "rate", "200/s")), Row: "iio capture",
		Stuck: drivers.Transient, Wrong: drivers.NotPresent, Gaps: true,
		Rig: func(c clock.Clock) (drivers.Driver, drivertest.Chip) {
			root := folder()
			k := emulated.NewCapture(root, "ads1015", 200)
			k.Value = func(time.Duration) float64 { return 1000 }
			return k.Under(At(root)), k
		},
	}
}

func TestCaptureConformance(t *testing.T) { drivertest.Run(t, captured(t)) }

func write(t testing.TB, w *os.File, b []byte) {
	t.Helper()
	if _, err := w.Write(b); err != nil {
		t.Error(err)
	}
}

// The device's list of rates is handed on when it does not take ours.
func TestRateRefused(t *testing.T) {
	root := tree(t, "ads1015.txt")
	path := filepath.Join(root, "sys/bus/iio/devices/iio:device0/sampling_frequency")
	// A number of the kernel's that even root can not write stands in for a
	// device that stays at a rate of its own.
	const fixed = "/proc/sys/kernel/ngroups_max"
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(fixed, path); err != nil {
		t.Fatal(err)
	}
	on(t, root, config("name:ads1015", in("voltage0", "waveform", "yes", "rate", "1000/s")), func(_ *clock.Virtual, src *Dev) {
		err := src.Start(ctx)
		if !errors.Is(err, drivers.BadConfig) || !strings.Contains(drivers.HintOf(err), "490") || !strings.Contains(err.Error(), "stays at "+get(t, "/", fixed)) {
			t.Errorf("%v", err)
		}
	})
}

// Stamps without timestamps: one period apart, rising, never ahead of now, and
// within a reading's interval of the truth even if the device is 2 % off.
func TestStampsByCounting(t *testing.T) {
	for _, real := range []float64{980, 1000, 1020} {
		root := tree(t, "ads1015.txt")
		for _, f := range []string{"en", "index", "type"} {
			if err := os.Remove(filepath.Join(root, "sys/bus/iio/devices/iio:device0/scan_elements/in_timestamp_"+f)); err != nil {
				t.Fatal(err)
			}
		}
		capturing(t, root, config("name:ads1015", in("voltage0", "waveform", "yes")), func(c *clock.Virtual, src *Dev, w *os.File, dst []drivers.Sample) {
			sent, got, last := 0, 0, time.Duration(0)
			worst := time.Duration(0)
			for c.Now() < 10*time.Second {
				for float64(sent+1)/real <= c.Now().Seconds() {
					sent++
					write(t, w, []byte{byte(sent << 4), byte(sent >> 4)})
				}
				n, next, err := src.Read(ctx, dst)
				if err != nil {
					t.Error(err)
					return
				}
				for _, s := range dst[:n] {
					got++
					if s.At <= last || s.At > c.Now() {
						t.Errorf("stamp %v after %v at %v", s.At, last, c.Now())
						return
					}
					last = s.At
					if d := s.At - time.Duration(float64(got)/real*1e9); c.Now() > 2*time.Second {
						worst = max(worst, d, -d)
					}
				}
				_ = c.SleepUntil(ctx, next)
			}
			if got != sent || got < 9000 || worst > 30*time.Millisecond {
				t.Errorf("%v/s: %d of %d, worst stamp off by %v", real, got, sent, worst)
			}
		})
	}
}

// Timestamps on another clock are shifted to ours, and follow when it is set.
func TestOtherClock(t *testing.T) {
	root := tree(t, "ads1015.txt")
	if err := os.Remove(filepath.Join(root, "sys/bus/iio/devices/iio:device0/current_timestamp_clock")); err != nil {
		t.Fatal(err)
	}
	capturing(t, root, config("name:ads1015", in("voltage0", "waveform", "yes"), in("voltage1")), func(c *clock.Virtual, src *Dev, w *os.File, dst []drivers.Sample) {
		wall := 1_800_000_000 * time.Second
		for i := range 200 {
			if i == 100 {
				wall -= time.Hour
			}
			_ = c.SleepUntil(ctx, c.Now()+20*time.Millisecond)
			taken := c.Now() - time.Duration(i%5)*time.Millisecond // read up to 4 ms late
			write(t, w, scan(1, 2, wall+taken))
			n, _, err := src.Read(ctx, dst)
			if n != 2 || err != nil {
				t.Errorf("%d samples, %v", n, err)
				return
			}
			if d := dst[0].At - taken; d < 0 || d > 4*time.Millisecond {
				t.Errorf("scan %d: stamped %v, taken %v", i, dst[0].At, taken)
			}
		}
	})
}

// Each round is 200 scans of two inputs: 20 ms of a 10 kS/s capture.
func BenchmarkCapture(b *testing.B) {
	root := tree(b, "ads1015.txt")
	capturing(b, root, config("name:ads1015", in("voltage0", "waveform", "yes", "rate", "10000/s", "trigger", "bench-timer"), in("voltage1")), func(c *clock.Virtual, src *Dev, w *os.File, dst []drivers.Sample) {
		block := make([]byte, 0, 3200)
		for i := range 200 {
			block = append(block, scan(int16(i), int16(-i), time.Duration(i)*100*time.Microsecond)...)
		}
		b.ReportAllocs()
		for b.Loop() {
			_ = c.SleepUntil(ctx, c.Now()+20*time.Millisecond)
			for i := range 200 {
				binary.LittleEndian.PutUint64(block[16*i+8:], uint64(c.Now()-time.Duration(200-i)*100*time.Microsecond))
			}
			write(b, w, block)
			if n, _, err := src.Read(ctx, dst); n != 400 || err != nil {
				b.Fatal(n, err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/400, "ns/sample")
	})
}
