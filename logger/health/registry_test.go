package health

import (
	"strings"
	"sync"
	"testing"
	"time"
)

func TestSetAndClear(t *testing.T) {
	k := Declare()
	r := New(k.All())
	var changes []Change
	r.OnChange(func(c Change) {
		changes = append(changes, c)
		r.List(c.At) // no lock is held
	})
	r.Set(k.DiskFailing, "/data", "", "no space left on device", "free some space", 10*time.Second)
	if len(changes) != 1 {
		t.Errorf("%d changes", len(changes))
	}
	r.Set(k.DiskFailing, "/data", "", "no space left on device", "free some space", 11*time.Second)
	if len(changes) != 1 {
		t.Error("the same again is a change")
	}
	r.Set(k.DiskFailing, "/data", "", "input/output error", "replace the card", 12*time.Second)
	l := r.List(12 * time.Second)
	if len(l) != 1 || l[0].Cause != "input/output error" || l[0].Since != 10*time.Second || l[0].Count != 1 || l[0].Hidden {
		t.Errorf("list: %+v", l)
	}
	r.Clear(k.DiskFailing, "/data", 13*time.Second)
	r.Clear(k.DiskFailing, "/data", 14*time.Second)
	r.Clear(k.BusFailing, "never set", 14*time.Second)
	if len(r.List(14*time.Second)) != 0 || len(changes) != 3 || changes[2].Present || changes[2].At != 13*time.Second {
		t.Errorf("after clearing: %+v", changes)
	}
	r.Set(k.DiskFailing, "/data", "", "again", "", 20*time.Second)
	if l := r.List(20 * time.Second); l[0].Count != 2 || l[0].Since != 20*time.Second {
		t.Errorf("the second time: %+v", l)
	}
}

// TestHidden: a bus that does not answer explains each of its channels, not
// those of another bus.
func TestHidden(t *testing.T) {
	k := Declare()
	r := New(k.All())
	r.Set(k.ChannelAbsent, "glass", "/dev/i2c-1", "no answer", "", 0)
	r.Set(k.ChannelAbsent, "pressure", "/dev/spidev0.0", "no answer", "", 0)
	now := 10 * time.Second
	shown := func() (s []string) {
		for _, x := range r.List(now) {
			if !x.Hidden {
				s = append(s, x.Kind.Code+" "+x.Subject)
			}
		}
		return s
	}
	if got := strings.Join(shown(), ", "); got != "channel-absent glass, channel-absent pressure" {
		t.Errorf("without the bus: %s", got)
	}
	r.Set(k.BusFailing, "/dev/i2c-1", "", "held low", "unplug one after the other", now)
	if got := strings.Join(shown(), ", "); got != "channel-absent pressure" {
		t.Errorf("with the bus too young to show: %s", got)
	}
	now = 20 * time.Second
	if got := strings.Join(shown(), ", "); got != "channel-absent pressure, bus-failing /dev/i2c-1" {
		t.Errorf("with the bus: %s", got)
	}
	if len(r.List(now)) != 3 {
		t.Error("hidden ones are to be in the list")
	}
	r.Clear(k.BusFailing, "/dev/i2c-1", now)
	if got := strings.Join(shown(), ", "); got != "channel-absent glass, channel-absent pressure" {
		t.Errorf("the bus is back: %s", got)
	}
}

func TestAfter(t *testing.T) {
	k := Declare()
	r := New(k.All())
	told := 0
	r.OnChange(func(c Change) {
		if !c.Trouble.Hidden && c.Present {
			told++
		}
	})
	r.Set(k.ClockUnknown, "clock", "", "no network yet", "", time.Second)
	after := k.ClockUnknown.After
	r.Step(after)
	if l := r.List(after); !l[0].Hidden || told != 0 {
		t.Errorf("too young: %+v, told %d", l, told)
	}
	r.Step(after + time.Second)
	if l := r.List(after + time.Second); l[0].Hidden || told != 1 {
		t.Errorf("of age: %+v, told %d", l, told)
	}
	r.Step(after + time.Hour)
	if told != 1 {
		t.Errorf("told %d times", told)
	}
	r.Clear(k.ClockUnknown, "clock", after+time.Hour)
	r.Set(k.ClockUnknown, "clock", "", "no network yet", "", after+time.Hour)
	r.Clear(k.ClockUnknown, "clock", after+time.Hour)
	r.Step(2*after + time.Hour)
	if told != 1 || r.young != 0 {
		t.Errorf("one that went young: told %d, young %d", told, r.young)
	}
}

func TestOrder(t *testing.T) {
	k := Declare()
	r := New(k.All())
	r.Set(k.CalibrationOverdue, "glass", "", "", "", 0)
	r.Set(k.CardUnreadable, "b.toml", "", "", "", 2)
	r.Set(k.CardUnreadable, "a.toml", "", "", "", 2)
	r.Set(k.DeviceRestored, "dev", "", "", "", 1)
	r.Set(k.DiskFailing, "/data", "", "", "", 9)
	var got []string
	for _, x := range r.List(10) {
		got = append(got, x.Subject)
	}
	if s := strings.Join(got, " "); s != "/data dev a.toml b.toml glass" {
		t.Errorf("order: %s", s)
	}
}

func TestDeclared(t *testing.T) {
	k := Declare()
	want := "channel-absent optional-channel-absent bus-failing device-restored disk-failing disk-full-soon clock-unknown sounder-silent " +
		"late-frames forward-failing card-unreadable calibration-overdue channels-contradict calibration-drifting calibration-waiting certificate-unusable button-held reading-marked glass-unseen"
	var got []string
	for _, x := range k.All() {
		got = append(got, x.Code)
		if x.Title == "" || x.Severity < Notice || x.Severity > Failure {
			t.Errorf("%+v", x)
		}
	}
	if s := strings.Join(got, " "); s != want {
		t.Errorf("kinds: %s", s)
	}
}

func TestRefuses(t *testing.T) {
	a := &Kind{Code: "a"}
	for name, f := range map[string]func(){
		"twice":      func() { New([]*Kind{a, {Code: "a"}}) },
		"unknown":    func() { New([]*Kind{{Code: "b", DependsOn: []string{"c"}}}) },
		"itself":     func() { New([]*Kind{{Code: "b", DependsOn: []string{"b"}}}) },
		"undeclared": func() { New([]*Kind{a}).Set(&Kind{Code: "x"}, "s", "", "", "", 0) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: accepted", name)
				}
			}()
			f()
		}()
	}
}

func TestAllocatesNothing(t *testing.T) {
	k := Declare()
	r := New(k.All())
	r.Set(k.BusFailing, "/dev/i2c-1", "", "no answer", "h", 0)
	if n := testing.AllocsPerRun(100, func() {
		r.Set(k.BusFailing, "/dev/i2c-1", "", "no answer", "h", 5)
		r.Clear(k.ChannelAbsent, "glass", 5)
		r.Step(time.Millisecond)
	}); n != 0 {
		t.Errorf("%v allocations while nothing changes", n)
	}
}

func BenchmarkUnchanged(b *testing.B) {
	k := Declare()
	r := New(k.All())
	r.Set(k.BusFailing, "/dev/i2c-1", "", "no answer", "h", 0)
	b.ReportAllocs()
	for b.Loop() {
		r.Set(k.BusFailing, "/dev/i2c-1", "", "no answer", "h", 5)
		r.Clear(k.ChannelAbsent, "glass", 5)
	}
}

func TestConcurrentUse(t *testing.T) {
	k := Declare()
	r := New(k.All())
	r.OnChange(func(Change) {})
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for n := range 300 {
				now := time.Duration(n) * time.Second
				kind := k.All()[(n+g)%11]
				r.Set(kind, "x", "y", "c", "h", now)
				r.Step(now)
				r.List(now)
				r.Clear(kind, "x", now)
			}
		})
	}
	wg.Wait()
	if l := r.List(time.Hour); len(l) > 4 || r.young < 0 {
		t.Errorf("left over: %+v, young %d", l, r.young)
	}
}
