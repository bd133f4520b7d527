package bench

// SyncRun brings what is recorded so far of the present run onto the disk, as the
// journal does within a second of real time.
func (b *Bench) SyncRun() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.run.writer.Sync()
}
