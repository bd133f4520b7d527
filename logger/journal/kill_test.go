package journal

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// child is the process that is killed: it records frames of number 0, 1, …, one
// a millisecond, and prints when it appended each.
func child(dir string) {
	every, err := time.ParseDuration(os.Getenv("TIPOFF_JOURNAL_EVERY"))
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	w, err := Create(dir, testMeta(), testLayout(), Options{Every: every})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	tick := time.NewTicker(time.Millisecond)
	for i := 0; ; i++ {
		<-tick.C
		w.Append(testFrame(i), testPhase(i))
		fmt.Println(i, time.Now().UnixMicro())
	}
}

// killed runs child until it has appended n frames and ready says so, and kills it.
// It returns when each frame was appended and when the child was killed.
func killed(t testing.TB, dir string, every time.Duration, n int, ready func() bool) (appended []time.Time, at time.Time) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "TIPOFF_JOURNAL_CHILD="+dir, "TIPOFF_JOURNAL_EVERY="+every.String())
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(out)
	for at.IsZero() || err == nil {
		var line string
		if line, err = lines.ReadString('\n'); err == nil {
			var i int
			var us int64
			if k, bad := fmt.Sscan(line, &i, &us); k != 2 || i != len(appended) {
				_ = cmd.Process.Kill()
				t.Fatalf("the child says %q after %d frames: %v", line, len(appended), bad)
			}
			appended = append(appended, time.UnixMicro(us))
		} else if at.IsZero() {
			t.Fatalf("the child ended by itself: %v", err)
		}
		if at.IsZero() && len(appended) >= n && ready() {
			if err := cmd.Process.Kill(); err != nil { // SIGKILL
				t.Fatal(err)
			}
			at = time.Now()
		}
	}
	_ = cmd.Wait()
	return appended, at
}

// What another process could read before a kill -9 is there after it, whole, and so
// is the run. That no more is missing than the last half second is TestSyncsByItself's
// to prove and BenchmarkKill's to measure: how long a busy machine keeps a process
// waiting is not for a test to say.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 12 {
		dir := filepath.Join(t.TempDir(), "2026-11-25-001")
		before := 0
		killed(t, dir, 20*time.Millisecond, 50+rng.IntN(200), func() bool {
			if _, err := os.Stat(filepath.Join(dir, "frames.lp")); err != nil {
				return false // before the first sync
			}
			before = len(readAll(t, dir).frames)
			return before > 0
		})
		m, err := Recover(dir)
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		got := readAll(t, dir)
		checkFrames(t, got)
		if len(got.frames) < before || m.Outcome != Interrupted || len(got.damage) != 0 {
			t.Errorf("round %d: %d frames, %d were there before; outcome %s, damage %v", round, len(got.frames), before, m.Outcome, got.damage)
		}
		if err := Verify(dir); err != nil {
			t.Error(err)
		}
	}
}

// A daemon's writer puts what was appended on the disk by itself within half a
// second. Time is synctest's: only the writer's own waits pass.
func TestSyncsByItself(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	synctest.Test(t, func(t *testing.T) {
		w, err := Create(dir, testMeta(), testLayout(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		const step, within = 100 * time.Millisecond, 500 * time.Millisecond
		for i := range 60 {
			w.Append(testFrame(i), testPhase(i))
			time.Sleep(step)
			synctest.Wait()
			// Appended within or longer ago: frames 0 to i+1-within/step.
			if want := i + 2 - int(within/step); want > 0 {
				if n := len(readAll(t, dir).frames); n < want {
					t.Errorf("%v after frame %d: %d frames on the disk, want %d", step, i, n, want)
				}
			}
		}
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}

// BenchmarkKill states what a kill -9 costs with a daemon's settings, from the
// oldest frame that is missing to the kill: a second at most (README).
func BenchmarkKill(b *testing.B) {
	var lost []float64
	rng := rand.New(rand.NewPCG(3, 4))
	for range b.N {
		dir := filepath.Join(b.TempDir(), "2026-11-25-001")
		appended, at := killed(b, dir, 500*time.Millisecond, 1100+rng.IntN(500), func() bool { return true })
		if _, err := Recover(dir); err != nil {
			b.Fatal(err)
		}
		missing := time.Duration(0)
		if n := len(readAll(b, dir).frames); n < len(appended) {
			missing = max(0, at.Sub(appended[n]))
		}
		lost = append(lost, missing.Seconds()*1e3)
	}
	b.ReportMetric(slices.Max(lost), "worst-lost-ms")
}
