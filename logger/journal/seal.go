package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"

	"tipoff/logger/frame"
)

// finish seals the run in dir: m becomes its run.toml, the lines are compressed,
// the sums written, and only then the lines' files removed. It may be called
// again after it was broken off at any point.
func finish(fs FS, dir string, m *Meta) error {
	_, err := os.Stat(filepath.Join(dir, sealedName))
	switch {
	case errors.Is(err, os.ErrNotExist):
		b, err := OpenBlocks(dir, 0)
		if err != nil {
			return err
		}
		defer b.Close()
		if m.Lost, err = b.lost(m); err != nil {
			return err
		}
		// The outcome first: compressing takes time, and if the power goes the
		// run was completed nevertheless.
		if err := putMeta(fs, dir, m); err != nil {
			return err
		}
		if err := b.keepDamage(fs); err != nil {
			return err
		}
		if err := b.compress(fs); err != nil {
			return err
		}
	case err != nil:
		return fmt.Errorf("sealing: %w", err)
	default:
		if err := putMeta(fs, dir, m); err != nil {
			return err
		}
	}
	if _, err := os.Stat(filepath.Join(dir, sumsName)); err != nil {
		if err := putSums(fs, dir); err != nil {
			return err
		}
	}
	// All is durable now. The first file goes last: as long as it is there,
	// recovery comes back to remove the others.
	names, err := filepath.Glob(filepath.Join(escapeGlob(dir), "frames-*.lp"))
	if err != nil {
		return err
	}
	names = append(names, filepath.Join(dir, framesName(1)))
	for _, name := range names {
		if err := fs.Remove(name); err != nil {
			return fmt.Errorf("removing the lines that are compressed now: %w", err)
		}
	}
	return fs.SyncDir(dir)
}

func escapeGlob(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(s)
}

// compress writes frames.lp.zst and reads it back before it takes its place.
func (b *Blocks) compress(fs FS) error {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedBestCompression),
		zstd.WithWindowSize(zstdFrame))
	if err != nil {
		return err
	}
	defer enc.Close()
	return writeFile(fs, b.dir, sealedName, func(w io.Writer) error {
		var lines, packed []byte
		flush := func() error {
			packed = enc.EncodeAll(lines, packed[:0])
			back, err := newSealedReader(packed)
			if err != nil {
				return err
			}
			if !back.frame() || string(back.out) != string(lines) {
				return errors.New("the compressed lines could not be read back")
			}
			lines = lines[:0]
			_, err = w.Write(packed)
			return err
		}
		for _, r := range b.refs {
			data, err := b.read(r)
			if err != nil {
				return err
			}
			if len(lines)+len(data) > zstdFrame && len(lines) > 0 {
				if err := flush(); err != nil {
					return err
				}
			}
			lines = append(lines, data...)
		}
		return flush()
	})
}

// keepDamage puts damaged bytes into frames.torn, if there are any.
func (b *Blocks) keepDamage(fs FS) error {
	damages := b.damages(true)
	if len(damages) == 0 {
		return nil
	}
	return writeFile(fs, b.dir, tornName, func(w io.Writer) error {
		for _, d := range damages {
			if _, err := fmt.Fprintf(w, "# %s from byte %d, %d bytes:\n", d.file.name, d.offset, d.size); err != nil {
				return err
			}
			if _, err := io.Copy(w, io.NewSectionReader(d.file.f, d.offset, d.size)); err != nil {
				return err
			}
			if _, err := io.WriteString(w, "\n"); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *Blocks) damages(tails bool) []damage {
	var all []damage
	for _, f := range b.files {
		all = append(all, f.damage...)
		if tails && f.tail.size > 0 {
			all = append(all, f.tail)
		}
	}
	return all
}

// lost is what is missing in the record: gaps in the count of blocks, and what
// stands without a seal at the end. Damaged bytes whose block is whole in
// another file are no loss.
func (b *Blocks) lost(m *Meta) ([]Lost, error) {
	l, err := m.Layout.Frame()
	if err != nil {
		return nil, err
	}
	damages := b.damages(m.Outcome != Recording)
	bytesIn := func(after, before uint64) (size int64) {
		for _, d := range damages {
			if d.after >= after && d.after < before {
				size += d.size
			}
		}
		return size
	}
	var all []Lost
	from := ref{}
	for _, to := range b.refs {
		if to.n != from.n+1 {
			fromS, _, err := b.times(m, l, from, true)
			if err != nil {
				return nil, err
			}
			toS, _, err := b.times(m, l, to, false)
			if err != nil {
				return nil, err
			}
			size := bytesIn(from.n, to.n)
			all = append(all, Lost{
				FromS: fromS, ToS: toS, Blocks: int64(to.n - from.n - 1), Bytes: size, Reason: gapReason(size),
			})
		}
		from = to
	}
	if size := bytesIn(from.n, 1<<63); size > 0 {
		fromS, _, err := b.times(m, l, from, true)
		if err != nil {
			return nil, err
		}
		all = append(all, Lost{FromS: fromS, ToS: fromS, Bytes: size, Reason: "the last lines were cut off"})
	}
	return all, nil
}

func gapReason(size int64) string {
	if size > 0 {
		return "damaged on the disk"
	}
	return "never reached the disk"
}

// times is the time of the last or first line of block r, in seconds from the
// run's start; 0 for no block.
func (b *Blocks) times(m *Meta, l *frame.Layout, r ref, last bool) (s float64, ok bool, err error) {
	if r.file == nil {
		return 0, false, nil
	}
	data, err := b.read(r)
	if err != nil {
		return 0, false, err
	}
	d, err := newDecoder(l, m.base())
	if err != nil {
		return 0, false, err
	}
	d.block(data)
	var rec Record
	for d.next(&rec) {
		s, ok = (rec.at() - m.Started.Mono()).Seconds(), true
		if !last {
			break
		}
	}
	return s, ok, nil
}

// Recover ends what a crash or a power cut broke off in dir: a run that was
// being recorded becomes interrupted and is sealed, a sealing goes on, damaged
// bytes are moved to frames.torn. Of a run in order it changes nothing. It must
// not be called for a run that a [Writer] has.
func Recover(dir string) (*Meta, error) { return recoverRun(OS{}, dir) }

func recoverRun(fs FS, dir string) (*Meta, error) {
	m, err := LoadMeta(dir)
	if err != nil {
		return nil, err
	}
	doing := func(err error) error { return fmt.Errorf("recovering run %s in %s: %w", m.ID, dir, err) }
	if err := mendSums(fs, dir); err != nil {
		return nil, doing(err)
	}
	if m.Outcome == Recording {
		story, err := retell(dir, m)
		if err != nil {
			return nil, doing(err)
		}
		m.Outcome = Interrupted
		story.fill(m)
	} else if whole, err := Whole(dir); err != nil || whole {
		return m, err
	}
	if err := finish(fs, dir, m); err != nil {
		return nil, doing(err)
	}
	leftovers, err := filepath.Glob(filepath.Join(escapeGlob(dir), "*"+tmpSuffix))
	if err != nil {
		return nil, doing(err)
	}
	for _, name := range leftovers {
		if err := fs.Remove(name); err != nil {
			return nil, doing(err)
		}
	}
	return m, nil
}

// Whole tells whether the run in dir was sealed to the end, with nothing for
// [Recover] to do. It does not check the sums, and reads no file.
func Whole(dir string) (bool, error) {
	for name, want := range map[string]bool{sealedName: true, sumsName: true, framesName(1): false, nextSumsName: false} {
		_, err := os.Stat(filepath.Join(dir, name))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return false, fmt.Errorf("looking at a run: %w", err)
		}
		if (err == nil) != want {
			return false, nil
		}
	}
	return true, nil
}

// retell gathers the story of a run from its lines.
func retell(dir string, m *Meta) (*story, error) {
	r, err := open(dir, m)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	s := newStory(m.Started.Mono())
	var rec Record
	for {
		switch err := r.Next(&rec); {
		case errors.Is(err, io.EOF):
			return s, nil
		case err != nil:
			return nil, err
		case rec.IsFrame:
			s.frame(rec.Frame.At, rec.Phase)
		default:
			s.event(rec.Event)
			s.last = max(s.last, rec.Event.At)
		}
	}
}
