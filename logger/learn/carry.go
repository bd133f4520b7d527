package learn

import (
	"fmt"
	"os"
	"path/filepath"

	"tipoff/logger/journal"
)

// Carry puts c under its number into the store in a folder that has none, for a run
// of another store that is to be judged there as it was in its own.
func Carry(c *Constants, store string) error {
	dir := filepath.Join(store, Dir)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("carrying the constants over: %w", err)
	}
	text, err := c.Encode()
	if err == nil {
		err = journal.Replace(filepath.Join(dir, versionFile(c.Version)), text)
	}
	if err != nil {
		return fmt.Errorf("carrying version %d of the constants over: %w", c.Version, err)
	}
	return nil
}
