package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tipoff/logger/journal"
)

const petrel = "../../deploy/petrel-pier/"

// tipoff runs the program as the shell would and returns what it printed.
func tipoff(t *testing.T, want int, args ...string) (out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	if code := run(t.Context(), args, &o, &e); code != want {
		t.Fatalf("tipoff %s: code %d, want %d\n%s%s", strings.Join(args, " "), code, want, o.String(), e.String())
	}
	return o.String(), e.String()
}

// notShort leaves a test that computes whole runs to the pass without the race
// detector, which slows it twentyfold.
func notShort(t *testing.T) {
	if testing.Short() {
		t.Skip("computes whole runs: left out of -short")
	}
}

type account struct {
	Sheet   int
	Run     struct{ ID, Tube, Outcome string }
	Verdict struct{ Overall, Text string }
	Phases  []struct {
		Phase string
		FromS float64 `json:"from_s"`
		ToS   float64 `json:"to_s"`
	}
	Limits []struct{ ID, Verdict string }
	Alarms []struct {
		ID      string
		RaisedS float64 `json:"raised_s"`
	}
}

func sheetJSON(t *testing.T, store, id string) account {
	t.Helper()
	out, _ := tipoff(t, exitOK, "sheet", id, "--json", "--store", store)
	var a account
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

// The demo's runs, the hurried one among them, exported as traces and imported
// again, have the same phases, alarms and verdicts as live. Boundaries may
// differ by three frames: an imported run counts from its first frame, a live one
// from the moment before.
func TestImportIsAsLive(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	live, again := filepath.Join(dir, "live"), filepath.Join(dir, "again")
	tipoff(t, exitOK, "demo", "--runs", "3", "--speed", "100000", "--listen", anyPort, "--store", live)
	list, _ := tipoff(t, exitOK, "runs", "--store", live)
	hurried := 0
	for _, card := range []string{"PP-01", "PP-02", "PP-03"} {
		id := ""
		for line := range strings.Lines(list) {
			if f := strings.Fields(line); len(f) > 1 && f[1] == card {
				id = f[0]
			}
		}
		if id == "" {
			t.Fatalf("no run of %s in:\n%s", card, list)
		}
		csv, _ := tipoff(t, exitOK, "export", id, "--store", live)
		file := filepath.Join(dir, card+".csv")
		if err := os.WriteFile(file, []byte(csv), 0o644); err != nil {
			t.Fatal(err)
		}
		tipoff(t, exitOK, "import", file, "--store", again, "--card", petrel+card+".toml", "--bench", petrel+"bench.toml")
		a, b := sheetJSON(t, live, id), sheetJSON(t, again, "last")
		if a.Verdict != b.Verdict || a.Run.Outcome != b.Run.Outcome {
			t.Errorf("%s: live %v %v, imported %v %v", card, a.Run, a.Verdict, b.Run, b.Verdict)
		}
		if len(a.Phases) != len(b.Phases) || len(a.Phases) < 12 {
			t.Fatalf("%s: %d phases live, %d imported", card, len(a.Phases), len(b.Phases))
		}
		for i := range a.Phases {
			if a.Phases[i].Phase != b.Phases[i].Phase || math.Abs(a.Phases[i].FromS-b.Phases[i].FromS) > 0.35 {
				t.Errorf("%s: phase %d live %v, imported %v", card, i, a.Phases[i], b.Phases[i])
			}
		}
		for i := range a.Limits {
			if a.Limits[i] != b.Limits[i] {
				t.Errorf("%s: limit live %v, imported %v", card, a.Limits[i], b.Limits[i])
			}
		}
		if len(a.Alarms) != len(b.Alarms) {
			t.Errorf("%s: alarms live %v, imported %v", card, a.Alarms, b.Alarms)
		}
		for _, x := range a.Alarms {
			if x.ID == "glass-over-ceiling" {
				hurried++
			}
		}
	}
	if hurried == 0 {
		t.Error("no run of the three was over its ceiling: the comparison of alarms proves nothing")
	}
}

// A trace in the user's own units, columns in another order, gaps, and a column
// that is not ours.
func TestImportForeignTrace(t *testing.T) {
	dir := t.TempDir()
	_, errs := tipoff(t, exitOK, "import", "../../testdata/traces/pp-03-spreadsheet.csv", "--store", dir, "--card", petrel+"PP-03.toml")
	if !strings.Contains(errs, "notice:") {
		t.Errorf("no notice of the column that is passed over: %q", errs)
	}
	a := sheetJSON(t, dir, "last")
	if a.Run.Tube != "PP-03" || a.Sheet != 1 || len(a.Phases) < 8 {
		t.Errorf("%+v", a)
	}
	for _, name := range []string{"time", "pressure-temperature"} {
		f, err := os.Open(filepath.Join(dir, "runs", a.Run.ID, name+".png"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := png.Decode(f); err != nil {
			t.Errorf("%s.png: %v", name, err)
		}
		f.Close()
	}
}

// A run recorded without a card can be given one later, and is judged by it.
func TestCardLater(t *testing.T) {
	dir := t.TempDir()
	tipoff(t, exitOK, "import", "../../testdata/traces/pp-01.csv", "--store", dir)
	before := sheetJSON(t, dir, "last")
	tipoff(t, exitOK, "card", "last", petrel+"PP-01.toml", "--store", dir)
	after := sheetJSON(t, dir, "last")
	fill := func(a account) string {
		for _, l := range a.Limits {
			if l.ID == "fill-pressure" {
				return l.Verdict
			}
		}
		return "missing"
	}
	if before.Run.Tube != "" || fill(before) != "not known" {
		t.Errorf("without a card: tube %q, fill %s", before.Run.Tube, fill(before))
	}
	if after.Run.Tube != "PP-01" || fill(after) == "not known" {
		t.Errorf("with the card: tube %q, fill %s", after.Run.Tube, fill(after))
	}
	tipoff(t, exitOK, "verify", "last", "--store", dir)
}

// What the user has to correct ends with code 2, one line, and nothing written.
func TestWrongInput(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return p
	}
	text, err := os.ReadFile(petrel + "PP-01.toml")
	if err != nil {
		t.Fatal(err)
	}
	card := write("card.toml", strings.Replace(string(text), `"15 mm"`, `"15 kg"`, 1))
	trace := write("trace.csv", "time [s],pressure [bar]\n0,1\n")
	good := "../../testdata/traces/pp-01.csv"
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "usage"},
		{[]string{"bake"}, `no verb "bake"`},
		{[]string{"demo", "--speed", "0"}, "0.1 to 100000"},
		{[]string{"demo", "--speed", "fast"}, "invalid value"},
		{[]string{"demo", "extra"}, "found 1 operands"},
		{[]string{"check", card}, `outside: found "15 kg"; allowed: a length in mm`},
		{[]string{"limits", card}, `outside: found "15 kg"; allowed: a length in mm`},
		{[]string{"import", trace, "--store", dir}, "trace.csv:1: column 2: found"},
		{[]string{"import", good, "--card", card, "--store", filepath.Join(dir, "store")}, `outside: found "15 kg"`},
		{[]string{"import", good, "--bench", card, "--store", filepath.Join(dir, "store")}, "card.toml:1"},
		{[]string{"import", filepath.Join(dir, "none.csv")}, "no such file"},
		{[]string{"serve", "--bench", card}, "card.toml:1"},
		{[]string{"sheet", "last", "--store", filepath.Join(dir, "none")}, "no folder of runs"},
		{[]string{"sheet"}, "found 0 operands"},
	} {
		_, errs := "", ""
		if c.args == nil {
			_, errs = tipoff(t, exitInput)
			if !strings.Contains(errs, "tipoff demo") {
				t.Errorf("usage lacks the verbs: %s", errs)
			}
			continue
		}
		_, errs = tipoff(t, exitInput, c.args...)
		if !strings.Contains(errs, c.want) {
			t.Errorf("%v: %q lacks %q", c.args, errs, c.want)
		}
		if strings.Count(strings.TrimSpace(errs), "\n") > 0 {
			t.Errorf("%v: more than one line: %q", c.args, errs)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "store")); err == nil {
		t.Error("something was written for input that was refused")
	}
}

// TestMain lets a test run the program in a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv("TIPOFF_TEST_RUN") != "" {
		main()
	}
	os.Exit(m.Run())
}

// startRecording starts a demo in a process of its own and waits until it records a run.
func startRecording(t *testing.T, dir string) (p *os.Process, run string) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "demo", "--speed", "20", "--listen", anyPort, "--store", dir)
	cmd.Env = append(os.Environ(), "TIPOFF_TEST_RUN=1")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	wait(t, "a run to be recorded", func() bool {
		found, _ := filepath.Glob(filepath.Join(dir, "runs", "*", "frames.lp"))
		if len(found) == 0 {
			return false
		}
		run = filepath.Dir(found[0])
		st, err := os.Stat(found[0])
		return err == nil && st.Size() > 100_000
	})
	return cmd.Process, run
}

// A daemon that is killed in mid run has the run closed as interrupted at the
// next start, with all that was on the disk before. How little is not on the disk
// is logger/journal's to prove.
func TestKilledDaemon(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	p, folder := startRecording(t, dir)
	before := framesOf(t, folder)
	if err := p.Kill(); err != nil {
		t.Fatal(err)
	}
	_, _ = p.Wait()
	tipoff(t, exitOK, "demo", "--runs", "1", "--speed", "100000", "--listen", anyPort, "--store", dir)
	m, err := journal.LoadMeta(folder)
	if err != nil {
		t.Fatal(err)
	}
	if m.Outcome != journal.Interrupted {
		t.Errorf("outcome %q, want interrupted", m.Outcome)
	}
	if err := journal.Verify(folder); err != nil {
		t.Error(err)
	}
	if after := framesOf(t, folder); before == 0 || after < before {
		t.Errorf("%d frames before the kill, %d after it", before, after)
	}
}

// A trace that is imported beside a daemon which records into the same store leaves
// alone that daemon's run and the cards that wait for it.
func TestImportBesideDaemon(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	_, folder := startRecording(t, dir)
	waiting := filepath.Join(dir, "queue", "zz.toml")
	card, err := os.ReadFile(petrel + "PP-04.toml")
	if err == nil {
		err = os.WriteFile(waiting, card, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	if out, _ := tipoff(t, exitOK, "import", "../../testdata/traces/pp-01.csv", "--store", dir); strings.Count(out, "run ") != 1 {
		t.Errorf("the import says %s", out)
	}
	if m, err := journal.LoadMeta(folder); err != nil || m.Outcome != journal.Recording {
		t.Fatalf("the daemon's run: %+v, %v", m, err)
	}
	before := framesOf(t, folder)
	wait(t, "the daemon to go on recording", func() bool { return framesOf(t, folder) > before })
	if _, err := os.Stat(waiting); err != nil {
		t.Errorf("the card that waits for the next tube: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "queue", "trace-*")); len(left) > 0 {
		t.Errorf("left in the queue: %v", left)
	}
}

// framesOf counts a run's frames.
func framesOf(t *testing.T, dir string) (n int) {
	t.Helper()
	r, err := journal.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rec journal.Record
	for {
		switch err := r.Next(&rec); {
		case errors.Is(err, io.EOF):
			return n
		case err != nil:
			t.Fatal(err)
		case rec.IsFrame:
			n++
		}
	}
}

// A recorded run and a CSV file play on the page and leave nothing behind; the
// recorded run brings its card.
func TestReplay(t *testing.T) {
	dir := t.TempDir()
	tipoff(t, exitOK, "import", "../../testdata/traces/pp-01.csv", "--store", dir, "--card", petrel+"PP-01.toml")
	for _, file := range []string{"last", "../../testdata/traces/pp-01.csv"} {
		out, _ := tipoff(t, exitOK, "replay", file, "--store", dir, "--speed", "100000", "--listen", anyPort)
		if !strings.Contains(out, "bombard") || strings.Contains(out, "PP-01") != (file == "last") {
			t.Errorf("replay of %s:\n%s", file, out)
		}
	}
	if list, _ := tipoff(t, exitOK, "runs", "--store", dir); strings.Count(list, "\n") != 2 {
		t.Errorf("a replay left a run behind:\n%s", list)
	}
}
