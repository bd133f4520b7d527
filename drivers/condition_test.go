package drivers

import (
	"errors"
	"io/fs"
	"syscall"
	"testing"
)

func TestErrorKeepsConditionCauseAndHint(t *testing.T) {
	inner := &Error{Device: "/dev/i2c-1", Doing: "opening", Is: BusDisabled, Err: fs.ErrNotExist, Hint: "switch it on"}
	err := &Error{Device: "ADS1115", Doing: "starting", Is: NotPresent, Err: inner, Hint: "look at the wiring"}
	for _, want := range []error{NotPresent, BusDisabled, fs.ErrNotExist} {
		if !errors.Is(err, want) {
			t.Errorf("errors.Is(%v) is false", want)
		}
	}
	if errors.Is(err, Transient) || errors.Is(err, syscall.EIO) {
		t.Error("is what it is not")
	}
	if got := HintOf(err); got != "look at the wiring" {
		t.Errorf("hint %q", got)
	}
	if got, want := Cause(err), "ADS1115: starting: not there: /dev/i2c-1: opening: bus not enabled: file does not exist"; got != want {
		t.Errorf("cause\n got %q\nwant %q", got, want)
	}
	if got := Cause(fs.ErrNotExist); got != fs.ErrNotExist.Error() {
		t.Errorf("cause of a plain error: %q", got)
	}
}
