package speaker

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"tipoff/drivers"
)

// Sizes and offsets as gcc 12 gives them for <sound/asound.h> of Linux 6.1
// (linux-libc-dev 6.1, measured with sizeof and offsetof, -m64 and -m32).
func TestLayout(t *testing.T) {
	var hw hwParams
	var sw swParams
	var x xferi
	col := 0
	if unsafe.Sizeof(uintptr(0)) == 4 {
		col = 1
	}
	for _, row := range []struct {
		name string
		got  uintptr
		want [2]uintptr // 64, 32 bits
	}{
		{"sizeof interval", unsafe.Sizeof(interval{}), [2]uintptr{12, 12}},
		{"sizeof hw_params", unsafe.Sizeof(hw), [2]uintptr{608, 604}},
		{"hw_params.masks", unsafe.Offsetof(hw.masks), [2]uintptr{4, 4}},
		{"hw_params.mres", unsafe.Offsetof(hw.mres), [2]uintptr{100, 100}},
		{"hw_params.intervals", unsafe.Offsetof(hw.intervals), [2]uintptr{260, 260}},
		{"hw_params.ires", unsafe.Offsetof(hw.ires), [2]uintptr{404, 404}},
		{"hw_params.rmask", unsafe.Offsetof(hw.rmask), [2]uintptr{512, 512}},
		{"hw_params.fifo_size", unsafe.Offsetof(hw.fifoSize), [2]uintptr{536, 536}},
		{"sizeof sw_params", unsafe.Sizeof(sw), [2]uintptr{136, 104}},
		{"sw_params.avail_min", unsafe.Offsetof(sw.availMin), [2]uintptr{16, 12}},
		{"sw_params.start_threshold", unsafe.Offsetof(sw.startThreshold), [2]uintptr{32, 20}},
		{"sw_params.boundary", unsafe.Offsetof(sw.boundary), [2]uintptr{64, 36}},
		{"sw_params.proto", unsafe.Offsetof(sw.proto), [2]uintptr{72, 40}},
		{"sw_params.tstamp_type", unsafe.Offsetof(sw.tstampType), [2]uintptr{76, 44}},
		{"sizeof xferi", unsafe.Sizeof(x), [2]uintptr{24, 12}},
		{"xferi.buf", unsafe.Offsetof(x.buf), [2]uintptr{8, 4}},
		{"xferi.frames", unsafe.Offsetof(x.frames), [2]uintptr{16, 8}},
		{"HW_PARAMS", uintptr(ioHWParams), [2]uintptr{0xC2604111, 0xC25C4111}},
		{"SW_PARAMS", uintptr(ioSWParams), [2]uintptr{0xC0884113, 0xC0684113}},
		{"DELAY", uintptr(ioDelay), [2]uintptr{0x80084121, 0x80044121}},
		{"PREPARE", ioPrepare, [2]uintptr{0x4140, 0x4140}},
		{"DROP", ioDrop, [2]uintptr{0x4143, 0x4143}},
		{"WRITEI_FRAMES", uintptr(ioWriteI), [2]uintptr{0x40184150, 0x400C4150}},
	} {
		if row.got != row.want[col] {
			t.Errorf("%s: %#x, want %#x", row.name, row.got, row.want[col])
		}
	}
}

// fakeCard behaves as the kernel's PCM core does with one device, on time that
// the test sets.
type fakeCard struct {
	rate     uint32 // the only one that it plays
	channels uint32
	bufferUS uint32 // size of its buffer, if not asked otherwise
	now      time.Duration
	fail     error

	buffer  int
	started time.Duration
	running bool
	dry     bool
	written int     // frames since prepare
	heard   []int16 // what has left the loudspeaker, first channel
	queue   []int16
	opened  int
	closed  int
	dropped int
}

func (c *fakeCard) open(string) (file, error) {
	if c.fail != nil {
		return nil, c.fail
	}
	c.opened++
	return c, nil
}

func (c *fakeCard) close() error { c.closed++; c.running = false; return nil }

// advance plays until now.
func (c *fakeCard) advance() {
	if !c.running {
		return
	}
	n := int((c.now-c.started).Seconds()*float64(c.rate)+0.5) - (c.written - len(c.queue))
	if n >= len(c.queue) {
		n, c.running, c.dry = len(c.queue), false, true
	}
	c.heard = append(c.heard, c.queue[:n]...)
	c.queue = c.queue[:copy(c.queue, c.queue[n:])]
}

func (c *fakeCard) ioctl(req uint32, arg unsafe.Pointer) error {
	if c.fail != nil {
		return c.fail
	}
	c.advance()
	switch req {
	case ioHWParams:
		p := (*hwParams)(arg)
		r, ch, buf := &p.intervals[rangeRate], p.intervals[rangeChannels], &p.intervals[rangeBufferLen]
		if p.masks[maskAccess][0]&(1<<3) == 0 || p.masks[maskFormat][0]&(1<<2) == 0 || p.masks[2][0] == 0 ||
			c.rate < r.min || c.rate > r.max || c.channels < ch.min || c.channels > ch.max {
			return syscall.EINVAL
		}
		own := c.bufferUS * (c.rate / 100) / 10_000
		if own < buf.min || own > buf.max {
			return syscall.EINVAL
		}
		buf.min, buf.max = own, own
		c.buffer = int(own)
	case ioSWParams:
		if p := (*swParams)(arg); p.availMin == 0 || p.startThreshold != 1 || int(p.stopThreshold) != c.buffer {
			return syscall.EINVAL
		}
	case ioPrepare:
		c.running, c.dry, c.written, c.queue = false, false, 0, c.queue[:0]
	case ioDrop:
		c.dropped++
		c.running, c.queue = false, c.queue[:0]
	case ioDelay:
		if c.dry {
			return syscall.EPIPE
		}
		*(*int)(arg) = len(c.queue)
	case ioWriteI:
		if c.dry {
			return syscall.EPIPE
		}
		x := (*xferi)(arg)
		n := min(int(x.frames), c.buffer-len(c.queue))
		if n == 0 {
			return syscall.EAGAIN
		}
		for _, v := range unsafe.Slice((*int16)(x.buf), n*int(c.channels)) {
			if c.channels == 1 || c.written%2 == 0 {
				c.queue = append(c.queue, v)
			}
			c.written++
		}
		if c.channels == 2 {
			c.written -= n
		}
		if !c.running {
			c.running, c.started = true, c.now
		}
		x.result = n
	default:
		return syscall.ENOTTY
	}
	return nil
}

func list() []string { return []string{"/dev/snd/pcmC0D0p"} }

// play ticks every 10 ms for d and checks how much the card holds.
func play(t *testing.T, d *Dev, c *fakeCard, long time.Duration) {
	t.Helper()
	for end := c.now + long; c.now < end; c.now += 10 * ms {
		if err := d.Tick(c.now); err != nil {
			t.Fatal(err)
		}
		if held := time.Duration(len(c.queue)) * time.Second / time.Duration(c.rate); held > 200*ms {
			t.Fatalf("the card holds %v", held)
		}
	}
	c.advance()
}

func TestPlays(t *testing.T) {
	for name, c := range map[string]*fakeCard{
		"mono":         {rate: 48000, channels: 1, bufferUS: 500_000},
		"stereo":       {rate: 48000, channels: 2, bufferUS: 300_000},
		"44.1 kHz":     {rate: 44100, channels: 2, bufferUS: 250_000},
		"small buffer": {rate: 48000, channels: 1, bufferUS: 50_000},
	} {
		t.Run(name, func(t *testing.T) {
			d, err := open(Options{Level: 0.8}, c.open, list)
			if err != nil {
				t.Fatal(err)
			}
			if err := d.Set(burst); err != nil {
				t.Fatal(err)
			}
			play(t, d, c, 3*time.Second)
			want := render(burst, int(c.rate), 3*time.Second)
			if n := len(c.heard); n < len(want)-int(c.rate)/50 {
				t.Fatalf("%d frames heard in 3 s, want %d", n, len(want))
			}
			for i, v := range c.heard[:min(len(c.heard), len(want))] {
				if v != want[i] {
					t.Fatalf("frame %d: %d, want %d", i, v, want[i])
				}
			}
			if err := d.Set(burst); err != nil || c.dropped != 0 {
				t.Errorf("set again: %v, dropped %d times", err, c.dropped)
			}
			if err := d.Set(nil); err != nil || c.dropped != 1 || len(c.queue) != 0 {
				t.Errorf("silenced: %v, %d frames left", err, len(c.queue))
			}
			c.heard = c.heard[:0]
			play(t, d, c, 200*ms)
			if len(c.heard) != 0 {
				t.Errorf("%d frames heard after silence", len(c.heard))
			}
			if err := d.Set(steady); err != nil {
				t.Fatal(err)
			}
			play(t, d, c, 100*ms)
			if len(c.heard) < int(c.rate)/12 {
				t.Errorf("%d frames heard after the next alarm", len(c.heard))
			}
			for range 2 {
				if err := d.Close(); err != nil || c.closed != 1 {
					t.Errorf("Close: %v, closed %d times", err, c.closed)
				}
			}
			if err := d.Set(burst); err == nil {
				t.Error("Set after Close gives no error")
			}
		})
	}
}

// A program held up for a second leaves a gap and goes on.
func TestRunsDry(t *testing.T) {
	c := &fakeCard{rate: 48000, channels: 1, bufferUS: 300_000}
	d, err := open(Options{}, c.open, list)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Set(steady); err != nil {
		t.Fatal(err)
	}
	play(t, d, c, time.Second)
	c.now += time.Second
	before := len(c.heard)
	play(t, d, c, time.Second)
	if got := len(c.heard) - before; got < 45000 || c.opened != 1 {
		t.Errorf("%d frames in the second after, opened %d times", got, c.opened)
	}
}

// Each failure says what to do, and the alarm is heard within a second of its
// end, by itself.
func TestFailures(t *testing.T) {
	for errno, row := range map[syscall.Errno]struct {
		want  drivers.Condition
		words string
	}{
		syscall.ENOENT: {drivers.NotPresent, "/dev/snd"},
		syscall.ENODEV: {drivers.NotPresent, "/dev/snd"},
		syscall.EACCES: {drivers.Permission, "group audio"},
		syscall.EBUSY:  {drivers.Transient, "another program"},
		syscall.EINVAL: {drivers.WrongDevice, "48"},
		syscall.EIO:    {drivers.Transient, "not heard"},
	} {
		c := &fakeCard{rate: 48000, channels: 1, bufferUS: 300_000, fail: errno}
		d, err := open(Options{Device: "/dev/snd/pcmC1D0p"}, c.open, list)
		if d == nil || !errors.Is(err, row.want) || !errors.Is(err, errno) || !strings.Contains(drivers.HintOf(err), row.words) {
			t.Fatalf("%v at start: %v", errno, err)
		}
		if err := d.Set(steady); err != nil {
			t.Errorf("%v: Set: %v", errno, err)
		}
		for range 100 {
			if err := d.Tick(c.now); !errors.Is(err, errno) {
				t.Fatalf("%v: Tick: %v", errno, err)
			}
			c.now += 10 * ms
		}
		c.fail = nil
		for range 60 {
			_ = d.Tick(c.now)
			c.now += 10 * ms
		}
		if c.advance(); len(c.heard) == 0 {
			t.Errorf("%v: not heard 0.6 s after it ended", errno)
		}
		c.fail = errno
		if err := d.Tick(c.now); !errors.Is(err, row.want) {
			t.Errorf("%v while playing: %v", errno, err)
		}
		c.fail, c.now, c.dry, c.queue = nil, c.now+time.Second, false, nil
		play(t, d, c, 200*ms)
		if c.opened != 2 || c.closed != 1 {
			t.Errorf("%v: opened %d, closed %d times", errno, c.opened, c.closed)
		}
	}
	if d, err := open(Options{}, (&fakeCard{}).open, func() []string { return nil }); d == nil || !errors.Is(err, drivers.NotPresent) {
		t.Errorf("no device at all: %v", err)
	}
}

// An unfit first device is passed over.
func TestAuto(t *testing.T) {
	c := &fakeCard{rate: 48000, channels: 2, bufferUS: 300_000}
	var tried []string
	d, err := open(Options{Device: "auto"}, func(path string) (file, error) {
		tried = append(tried, path)
		if len(tried) == 1 {
			return (&fakeCard{rate: 8000}).open(path)
		}
		return c.open(path)
	}, func() []string { return []string{"/dev/snd/pcmC0D0p", "/dev/snd/pcmC1D0p"} })
	if err != nil || len(tried) != 2 || c.opened != 1 {
		t.Errorf("%v, tried %v", err, tried)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}

func TestPlayback(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"controlC3", "pcmC3D0p"} {
		if err := os.WriteFile(filepath.Join(dir, n), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	link := filepath.Join(dir, "usb-loudspeaker")
	if err := os.Symlink("controlC3", link); err != nil {
		t.Fatal(err)
	}
	want := filepath.Join(dir, "pcmC3D0p")
	for _, p := range []string{link, want} {
		if got := playback(p); got != want {
			t.Errorf("%s: %s, want %s", p, got, want)
		}
	}
}

// A file that is no sound device is refused by the kernel itself.
func TestRealFile(t *testing.T) {
	d, err := Open(Options{Device: "/dev/null"})
	if d == nil || !errors.Is(err, drivers.WrongDevice) {
		t.Errorf("/dev/null: %v", err)
	}
	if d, err := Open(Options{Device: "/dev/snd/no-such-device"}); d == nil || !errors.Is(err, drivers.NotPresent) {
		t.Errorf("no such device: %v", err)
	}
}

func TestBadOptions(t *testing.T) {
	for _, o := range []Options{{Level: -1}, {Level: 1.1}, {Device: "loud"}} {
		if d, err := Open(o); d != nil || !errors.Is(err, drivers.BadConfig) || !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

func BenchmarkTick(b *testing.B) {
	c := &fakeCard{rate: 48000, channels: 2, bufferUS: 500_000}
	d, err := open(Options{}, c.open, list)
	if err != nil {
		b.Fatal(err)
	}
	if err := d.Set(burst); err != nil {
		b.Fatal(err)
	}
	tick := func() {
		c.now += 10 * ms
		c.heard = c.heard[:0]
		if err := d.Tick(c.now); err != nil {
			b.Fatal(err)
		}
	}
	for range 100 {
		tick()
	}
	if n := testing.AllocsPerRun(100, tick); n != 0 {
		b.Fatalf("%v allocations", n)
	}
	b.ReportAllocs()
	for b.Loop() {
		tick()
	}
}
