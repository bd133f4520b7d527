package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"
)

const (
	page  = "http://127.0.0.1:8077"
	bench = "/etc/tipoff/bench.toml"
	card  = "/etc/tipoff/PP-01.toml"
	hear  = "/dev/snd/pcmC0D1c" // the other end of the loopback card

	listen = 14 * time.Second // to an alarm: two bursts and more
	quiet  = 8 * time.Second  // after it: a burst's repeat and more

	// patience is how long the day waits for something before that counts as
	// missing: far longer than it takes on a host that is busy. How late things
	// were, the judge tells.
	patience = 2 * time.Minute
)

// day is the shop's day: the daemon is started, a glass is overheated under its
// eyes, the alarm is acknowledged, and the daemon is stopped.
func (s *shop) day(devices []string) (err error) {
	for _, path := range devices {
		if err := await(patience, path+" to appear", func() bool {
			_, err := os.Stat(path)
			return err == nil
		}); err != nil {
			return err
		}
	}
	s.event("devices served")
	f, err := os.Create(outDir + "/heard.pcm")
	if err != nil {
		return err
	}
	var stop atomic.Bool
	heard := make(chan error, 1)
	s.event("recording")
	go func() { heard <- record(hear, f, stop.Load) }()
	defer func() {
		stop.Store(true)
		err = errors.Join(err, <-heard, f.Close())
	}()
	logs, err := os.Create(outDir + "/tipoff.log")
	if err != nil {
		return err
	}
	defer logs.Close()
	cmd := exec.Command("/bin/tipoff", "serve", "--bench", bench)
	cmd.Stdout, cmd.Stderr = logs, logs
	if err := cmd.Start(); err != nil {
		return err
	}
	s.event("daemon started")
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	if err := s.process(); err != nil {
		_ = cmd.Process.Kill() // what went wrong is told by err
		<-ended
		return err
	}
	s.event("daemon asked to end")
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case err := <-ended:
		s.event("daemon ended: %v", cmd.ProcessState)
		return err
	case <-time.After(patience):
		return fmt.Errorf("the daemon did not end within %v of SIGTERM", patience)
	}
}

// answer is what is used of /api/status.
type answer struct {
	Seq      uint64
	Phase    string
	Pressure reading `json:"pressure_torr"`
	Glass    reading `json:"glass_c"`
	Current  reading `json:"current_ma"`
	Alarms   []struct {
		ID, State string
		Open      bool
	}
	Troubles []struct{ Title, Subject, Cause string }
}

type reading struct {
	Value *float64
	Good  bool
}

// process overheats a tube under the daemon's eyes and acknowledges the alarm.
func (s *shop) process() error {
	var st answer
	poll := func(ok func() bool) func() bool {
		return func() bool {
			st = answer{}
			return get("/api/status", &st) == nil && ok()
		}
	}
	if err := await(patience, "the page to answer", poll(func() bool { return true })); err != nil {
		return err
	}
	text, err := os.ReadFile(card)
	if err != nil {
		return err
	}
	if err := post("/api/card", text); err != nil {
		return err
	}
	// The current's waveform bears no hold-up: whether it is read enough, the judge
	// tells.
	good := func() bool { return st.Pressure.Good && st.Glass.Good }
	if err := await(patience, "pressure and glass to be read", poll(good)); err != nil {
		return err
	}
	s.event("pressure and glass read, phase %s, troubles %v", st.Phase, st.Troubles)

	s.person.does(pump)
	low := func() bool { return st.Pressure.Good && *st.Pressure.Value < 0.05 }
	if err := await(patience, "the page to show less than 0.05 Torr", poll(low)); err != nil {
		return err
	}
	s.event("evacuated, the page shows %.3f Torr", *st.Pressure.Value)
	s.person.does(bombard)
	open := func() bool {
		for _, a := range st.Alarms {
			if a.ID == "glass-over-ceiling" && a.Open {
				return true
			}
		}
		return false
	}
	if err := await(patience, "the alarm", poll(open)); err != nil {
		return err
	}
	s.event("the page shows the alarm, phase %s, troubles %v", st.Phase, st.Troubles)
	time.Sleep(time.Second)
	s.person.does(cool)
	time.Sleep(listen)
	if err := s.acknowledge(); err != nil {
		return err
	}
	if !poll(func() bool { return !open() })() {
		return errors.New("the page still shows the alarm as open after it was acknowledged")
	}
	time.Sleep(quiet)
	var points json.RawMessage
	if err := get("/api/history", &points); err != nil {
		return err
	}
	return os.WriteFile(outDir+"/history.json", points, 0o644)
}

// acknowledge presses the page's button; the witness sees when.
func (s *shop) acknowledge() error {
	if l, ok := s.lines[thumb]; ok {
		if err := l.set(true); err != nil {
			return err
		}
		defer l.set(false) // the witness has seen it
	}
	s.event("acknowledging")
	if err := post("/api/acknowledge", nil); err != nil {
		return err
	}
	s.event("acknowledged")
	return nil
}

func await(most time.Duration, what string, ok func() bool) error {
	for end := time.Now().Add(most); !ok(); time.Sleep(200 * time.Millisecond) {
		if time.Now().After(end) {
			return fmt.Errorf("waited %v for %s", most, what)
		}
	}
	return nil
}

var client = http.Client{Timeout: time.Minute}

func get(path string, into any) error {
	r, err := client.Get(page + path)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return errors.New(path + ": " + strconv.Itoa(r.StatusCode))
	}
	return json.NewDecoder(r.Body).Decode(into)
}

func post(path string, body []byte) error {
	r, err := client.Post(page+path, "text/plain", bytes.NewReader(body))
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode >= 300 {
		text, _ := io.ReadAll(r.Body) // the status says enough
		return fmt.Errorf("%s: %d %s", path, r.StatusCode, text)
	}
	return nil
}
