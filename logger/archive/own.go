package archive

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// lockName is the file that the process which records into the archive holds locked.
const lockName = "recorder.lock"

// own makes this process the one that mends the archive's runs, until it ends however
// it ends, and reports whether it is. The lock is the kernel's, on the file and for the
// process: a second Archive of the same process has it too.
func (a *Archive) own() (bool, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.lock != nil {
		return true, nil
	}
	f, err := os.OpenFile(filepath.Join(a.dir, lockName), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return false, fmt.Errorf("recovering runs: %w", err)
	}
	err = syscall.FcntlFlock(f.Fd(), syscall.F_SETLK, &syscall.Flock_t{Type: syscall.F_WRLCK})
	if err == nil {
		a.lock = f // open for as long as the archive is in use
		return true, nil
	}
	f.Close()
	if errors.Is(err, syscall.EAGAIN) || errors.Is(err, syscall.EACCES) {
		return false, nil
	}
	return false, fmt.Errorf("recovering runs: locking %s: %w", f.Name(), err)
}
