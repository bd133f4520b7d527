// Command judge looks at what came out of the guest and tells whether the daemon
// did what it should: it read what was true, the buzzer's line followed the
// overheat and the acknowledgement, and the loudspeaker played the stated tone.
// It shares no code with the daemon.
//
//	judge FOLDER
//
// The folder holds lines.txt, QEMU's trace of the GPIO chip (it may be missing
// where the board has none), held, how the host treated QEMU, and guest/ with what
// the shop wrote. Exit code 1: something is wrong; 75: nothing is, but that the host
// held the guest up and so something came too late.
package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: judge FOLDER")
		os.Exit(2)
	}
	h, err := readHost(filepath.Join(os.Args[1], "held"))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Printf("host: a wait of 0.1 s was late by %.0f ms at worst; QEMU ran for %.1f s and waited %.1f s for a processor\n", h.late, h.ran/1e3, h.waited/1e3)
	found := judge(os.Args[1])
	result := code(found, h)
	if found != nil {
		fmt.Fprintf(os.Stderr, "NOT PROVEN:\n%v\n", found)
	}
	if result == 75 {
		fmt.Fprintln(os.Stderr, "all of it is lateness, and the host was held up")
	}
	os.Exit(result)
}

// judge prints what it finds; its error holds all that is not as it should be.
func judge(dir string) error {
	guest := filepath.Join(dir, "guest")
	end, err := os.ReadFile(filepath.Join(guest, "end.txt"))
	if err != nil {
		return err
	}
	if s := strings.TrimSpace(string(end)); s != "shop ended: 0" {
		return fmt.Errorf("the day in the guest did not end well: %s", s)
	}
	events, err := readEvents(filepath.Join(guest, "events.txt"))
	if err != nil {
		return err
	}
	truth, err := readTruth(filepath.Join(guest, "truth.csv"))
	if err != nil {
		return err
	}
	shown, err := readHistory(filepath.Join(guest, "history.json"))
	if err != nil {
		return err
	}
	wrong := errors.Join(judgeValues(shown, truth), judgeEnd(events))
	if text, err := os.ReadFile(filepath.Join(dir, "lines.txt")); err == nil {
		edges, err := parseTrace(string(text))
		if err != nil {
			return err
		}
		wrong = errors.Join(wrong, judgeBuzzer(edges))
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	sound, err := os.ReadFile(filepath.Join(guest, "heard.pcm"))
	if err != nil {
		return errors.Join(wrong, err)
	}
	return errors.Join(wrong, judgeSound(samples(sound), events))
}

// mostEnding is the unit's TimeoutStopSec: drawing, which takes long here, must not
// hold it up.
const mostEnding = 30.0 // s

func judgeEnd(es []event) error {
	asked, err := after(es, 0, "daemon asked to end")
	if err != nil {
		return err
	}
	ended, err := after(es, asked, "daemon ended: exit status 0")
	if err != nil {
		return err
	}
	fmt.Printf("end: %.1f s after SIGTERM\n", ended-asked)
	if ended-asked > mostEnding {
		return lately("end: the daemon ended %.0f s after SIGTERM, asked are %.0f s", ended-asked, mostEnding)
	}
	return nil
}
