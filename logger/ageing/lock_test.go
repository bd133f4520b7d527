package ageing

import (
	"errors"
	"os"
	"sync"
	"testing"

	"golang.org/x/sys/unix"
)

// What a daemon writes down never brings back a run that another process has ended, nor
// takes the place of one that it has asked for since.
func TestNoteDoesNotBringBack(t *testing.T) {
	dir := t.TempDir()
	old, next := Request{Tube: "PP-01", Every: DefaultEvery}, Request{Tube: "PP-02", Every: DefaultEvery}
	isOld := func(r Request) bool { return r.Tube == old.Tube }
	for range 200 {
		if err := Ask(dir, old); err != nil {
			t.Fatal(err)
		}
		var wait sync.WaitGroup
		stop := make(chan struct{})
		wait.Go(func() {
			r := old
			for {
				select {
				case <-stop:
					return
				default:
				}
				r.Done = min(100, r.Done+0.01)
				if err := Note(dir, r, isOld); err != nil && !errors.Is(err, ErrLocked) {
					t.Error(err)
					return
				}
			}
		})
		err := errors.Join(End(dir), Ask(dir, next))
		close(stop)
		wait.Wait()
		if err != nil {
			t.Fatal(err)
		}
		if r, err := Wanted(dir); err != nil || r.Tube != next.Tube {
			t.Fatalf("wanted is %+v, %v", r, err)
		}
		if err := Finish(dir, isOld); err != nil {
			t.Fatal(err)
		}
		if err := End(dir); err != nil {
			t.Fatalf("the new run was taken for the old one: %v", err)
		}
	}
}

// A daemon does not wait for another process.
func TestNoteDoesNotWait(t *testing.T) {
	dir := t.TempDir()
	r := Request{Tube: "PP-01", Every: DefaultEvery}
	if err := Ask(dir, r); err != nil {
		t.Fatal(err)
	}
	d, err := os.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.Flock(int(d.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	all := func(Request) bool { return true }
	if err := Note(dir, r, all); !errors.Is(err, ErrLocked) {
		t.Errorf("note: %v", err)
	}
	if err := Finish(dir, all); !errors.Is(err, ErrLocked) {
		t.Errorf("finish: %v", err)
	}
	d.Close()
	if err := Finish(dir, all); err != nil {
		t.Error(err)
	}
	if _, err := Wanted(dir); !errors.Is(err, ErrNone) {
		t.Errorf("after the end: %v", err)
	}
}
