package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// need finds a program that a test runs for real. Without it the test is
// skipped, but fails where TIPOFF_REQUIRE_TOOLS is set, as in CI.
func need(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("TIPOFF_REQUIRE_TOOLS") != "" {
			t.Fatalf("%s is needed: %v", name, err)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// startDemo runs the demo as a user does and returns the page's address.
func startDemo(t *testing.T, speed string) string {
	t.Helper()
	notShort(t)
	dir := t.TempDir() // removed after the demo has ended
	ctx, cancel := context.WithCancel(context.Background())
	done, page := make(chan int, 1), make(chan string, 1)
	var errs bytes.Buffer
	out := told(func(text string) {
		if _, rest, ok := strings.Cut(text, "bench page: http://"); ok {
			page <- rest[:strings.IndexByte(rest, '/')]
		}
	})
	go func() {
		done <- run(ctx, []string{"demo", "--speed", speed, "--listen", anyPort, "--store", dir}, out, &errs)
	}()
	address := ""
	select {
	case address = <-page:
	case code := <-done:
		cancel()
		t.Fatalf("demo ended with code %d: %s", code, errs.String())
	}
	t.Cleanup(func() {
		cancel()
		select {
		case code := <-done:
			if code != exitOK {
				t.Errorf("demo ended with code %d: %s", code, errs.String())
			}
		case <-time.After(patience):
			t.Error("the demo does not end")
		}
	})
	wait(t, "the page", func() bool {
		r, err := http.Get("http://" + address + "/metrics")
		if err != nil {
			return false
		}
		defer r.Body.Close()
		body, _ := io.ReadAll(r.Body)
		return bytes.Contains(body, []byte("tipoff_frames_total"))
	})
	return address
}

// anyPort lets the kernel choose a port: one that was looked for beforehand may be
// taken by then.
const anyPort = "127.0.0.1:0"

// patience is how long a test waits for another program. Only one that hangs takes
// it: a test must not fail because the machine is slow or busy.
const patience = 5 * time.Minute

// wait polls a real program of another process; there is no clock to inject.
func wait(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("waited %v for %s", patience, what)
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// The exposition passes Prometheus's own linter.
func TestPromtoolCheckMetrics(t *testing.T) {
	promtool := need(t, "promtool")
	address := startDemo(t, "200")
	r, err := http.Get("http://" + address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	cmd := exec.Command(promtool, "check", "metrics")
	cmd.Stdin = r.Body
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// A real Prometheus scrapes the demo with our scrape file's job and rules, a
// query returns the value on the page, and every query of the dashboard
// returns data.
func TestRealPrometheus(t *testing.T) {
	prometheus := need(t, "prometheus")
	address := startDemo(t, "100")
	dir := t.TempDir()
	scrape, err := os.ReadFile("../../deploy/prometheus/scrape.yml")
	if err != nil {
		t.Fatal(err)
	}
	rules, err := filepath.Abs("../../deploy/prometheus/tipoff.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	cfg := strings.NewReplacer("127.0.0.1:8077", address, "scrape_interval: 5s", "scrape_interval: 1s", // and its time limit
		"tipoff.rules.yml", rules).Replace(string(scrape))
	if cfg == string(scrape) {
		t.Fatal("scrape.yml has not the address that the demo listens on")
	}
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(cfg), 0o644); err != nil {
		t.Fatal(err)
	}
	web := startPrometheus(t, prometheus, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"))
	query := func(expr string) []sample {
		s, err := ask(web, expr)
		if err != nil {
			t.Logf("query %s: %v", expr, err)
		}
		return s
	}
	wait(t, "the first scrapes", func() bool { return len(query(`rate(tipoff_frames_total[1m]) > 0`)) > 0 })
	// One scrape that comes late takes all series away until the next.
	for expr, most := range map[string]float64{"tipoff_pressure_pascals": 2e5, "sum(tipoff_phase)": 1, `up{job="tipoff"}`: 1} {
		var got []sample
		wait(t, expr, func() bool {
			got = query(expr)
			return len(got) > 0 && got[0].value > 0
		})
		if !(got[0].value <= most) || most == 1 && (len(got) != 1 || got[0].value != 1) {
			t.Errorf("%s by Prometheus: %v", expr, got)
		}
	}
	for _, expr := range dashboardQueries(t) {
		if strings.Contains(expr, "tipoff_light_ratio") { // this demo has no photodiode
			if _, err := ask(web, expr); err != nil {
				t.Errorf("query %s: %v", expr, err)
			}
			continue
		}
		wait(t, "data for the dashboard's query "+expr, func() bool { return len(query(expr)) > 0 })
	}
}

// startPrometheus returns the address that it listens on, which it tells in its log.
func startPrometheus(t *testing.T, prometheus string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), prometheus, append(args, "--web.listen-address="+anyPort)...)
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	said := ""
	for lines := bufio.NewScanner(log); lines.Scan(); {
		said += lines.Text() + "\n"
		if m := listening.FindStringSubmatch(lines.Text()); m != nil {
			go func() { _, _ = io.Copy(io.Discard, log) }() // until it is killed
			return m[1]
		}
	}
	t.Fatalf("prometheus ended without listening:\n%s", said)
	return ""
}

var listening = regexp.MustCompile(`"?Listening on"? address="?(127\.0\.0\.1:[0-9]+)`)

type sample struct{ value float64 }

func ask(web, expr string) ([]sample, error) {
	r, err := http.Get("http://" + web + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	var reply struct {
		Status string
		Error  string
		Data   struct{ Result []struct{ Value [2]any } }
	}
	if err := json.NewDecoder(r.Body).Decode(&reply); err != nil {
		return nil, err
	}
	if reply.Status != "success" {
		return nil, fmt.Errorf("prometheus: %s", reply.Error)
	}
	var out []sample
	for _, m := range reply.Data.Result {
		var x float64
		if _, err := fmt.Sscan(m.Value[1].(string), &x); err != nil {
			x = math.NaN()
		}
		out = append(out, sample{x})
	}
	return out, nil
}

// dashboardQueries are all expressions of the dashboard, with its variables
// filled in as Grafana does for "all".
func dashboardQueries(t *testing.T) []string {
	text, err := os.ReadFile("../../deploy/grafana/dashboards/tipoff-bench.json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		UID    string
		Panels []struct {
			Title      string
			Datasource struct{ UID string }
			Targets    []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatalf("the dashboard is no JSON: %v", err)
	}
	if d.UID == "" || len(d.UID) > 40 {
		t.Errorf("dashboard uid %q: 1 to 40 characters", d.UID)
	}
	var out []string
	for _, p := range d.Panels {
		if p.Datasource.UID != "${datasource}" || len(p.Targets) == 0 {
			t.Errorf("panel %q: data source %q, %d queries", p.Title, p.Datasource.UID, len(p.Targets))
		}
		for _, q := range p.Targets {
			out = append(out, strings.ReplaceAll(q.Expr, "$instance", ".*"))
		}
	}
	if len(out) < 10 {
		t.Errorf("only %d queries in the dashboard", len(out))
	}
	return out
}
