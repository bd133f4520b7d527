package journal

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// FS is what the journal does to the disk. Tests make it fail.
type FS interface {
	// Create makes a new file for writing; it fails if there is one.
	Create(name string) (File, error)
	// Rename puts a file in another's place in one step.
	Rename(from, to string) error
	// Remove removes a file; that there is none is no error.
	Remove(name string) error
	// Mkdir makes a folder and those above it.
	Mkdir(dir string) error
	// SyncDir makes names in dir durable.
	SyncDir(dir string) error
}

// File is a file being written.
type File interface {
	Write(b []byte) (int, error)
	// Sync returns once what was written would survive a power cut.
	Sync() error
	Close() error
}

// OS is the board's own file system.
type OS struct{}

type osFile struct{ *os.File }

// Sync implements [File] by fdatasync, which leaves out the times of the inode.
func (f osFile) Sync() error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

// Create implements [FS].
func (OS) Create(name string) (File, error) {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o644)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

// Rename implements [FS].
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Remove implements [FS].
func (OS) Remove(name string) error {
	if err := os.Remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// Mkdir implements [FS].
func (OS) Mkdir(dir string) error { return os.MkdirAll(dir, 0o755) }

// SyncDir implements [FS].
func (OS) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil {
		return fmt.Errorf("syncing folder %s: %w", dir, err)
	}
	return nil
}
