package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Replace puts data in the place of the file path, or where there was none, so that
// readers and whoever starts after a power cut find the old file or the whole new
// one. Which of the two a power cut leaves is certain only once [OS.SyncDir] has
// synced the folder. Several may write the same file at once: the last one stays.
func Replace(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name()) // give the space back; what matters is err
		return fmt.Errorf("writing %s: %w", path, err)
	}
	return nil
}
