// Command judge looks at what came out of the guest and tells whether the daemon
// did what it should: it read what was true, the buzzer's line followed the
// overheat and the acknowledgement, and the loudspeaker played the stated tone.
// It shares no code with the daemon.
//
//	judge FOLDER
//
// The folder holds lines.txt, QEMU's trace of the GPIO chip (it may be missing
// where the board has none), and guest/ with what the shop wrote.
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
	if err := judge(os.Args[1]); err != nil {
		fmt.Fprintf(os.Stderr, "NOT PROVEN:\n%v\n", err)
		os.Exit(1)
	}
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
	wrong := judgeValues(shown, truth)
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
