package journal

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"github.com/klauspost/compress/zstd"
)

// Block is a group of lines whose checksum is right.
type Block struct {
	N    uint64 // counts from 1 in each run; a gap is a loss
	Data []byte // lines and seal, valid until the next call
}

// Blocks reads a run's blocks in order, while it is recorded or after.
type Blocks struct {
	dir   string
	after uint64 // N of the latest block that was handed out

	// A sealed run.
	sealed *scanner

	// A run being recorded, or not sealed yet.
	files []*linesFile
	refs  []ref // blocks by n, none twice
	next  int   // into refs
	buf   []byte
}

type linesFile struct {
	name    string
	f       *os.File
	scanned int64 // up to here all is known
	lastN   uint64
	damage  []damage
	tail    damage // bytes without a seal at the end, so far
}

// damage is bytes of a file that belong to no good block.
type damage struct {
	file   *linesFile
	offset int64
	size   int64
	after  uint64 // n of the good block before it in the file
}

type ref struct {
	n      uint64
	file   *linesFile
	offset int64
	size   int
}

// OpenBlocks opens the run in dir at the first block after number after; 0
// means all.
func OpenBlocks(dir string, after uint64) (*Blocks, error) {
	b := &Blocks{dir: dir, after: after}
	data, err := os.ReadFile(filepath.Join(dir, sealedName))
	switch {
	case err == nil:
		frames, err := newSealedReader(data)
		if err != nil {
			return nil, fmt.Errorf("opening %s: %w", dir, err)
		}
		b.sealed = newScanner(frames, 0)
		return b, nil
	case !errors.Is(err, os.ErrNotExist):
		return nil, fmt.Errorf("opening the run: %w", err)
	}
	if err := b.refresh(); err != nil {
		_ = b.Close()
		return nil, err
	}
	return b, nil
}

// Next is the next block. io.EOF means that there is none now; of a run being
// recorded there may be more later.
func (b *Blocks) Next() (Block, error) {
	if b.sealed != nil {
		for {
			p, err := b.sealed.next()
			if err != nil {
				return Block{}, err
			}
			if p.good && p.seal.n > b.after {
				b.after = p.seal.n
				return Block{N: p.seal.n, Data: p.data}, nil
			}
		}
	}
	if b.next >= len(b.refs) {
		if err := b.refresh(); err != nil {
			return Block{}, err
		}
	}
	for b.next < len(b.refs) && b.refs[b.next].n <= b.after {
		b.next++
	}
	if b.next >= len(b.refs) {
		return Block{}, io.EOF
	}
	r := b.refs[b.next]
	b.next++
	b.after = r.n
	data, err := b.read(r)
	return Block{N: r.n, Data: data}, err
}

func (b *Blocks) read(r ref) ([]byte, error) {
	b.buf = slices.Grow(b.buf[:0], r.size)[:r.size]
	if _, err := r.file.f.ReadAt(b.buf, r.offset); err != nil {
		return nil, fmt.Errorf("reading %s: %w", filepath.Join(b.dir, r.file.name), err)
	}
	return b.buf, nil
}

// refresh looks for blocks that have been written since.
func (b *Blocks) refresh() error {
	for {
		name := framesName(len(b.files) + 1)
		f, err := os.Open(filepath.Join(b.dir, name))
		if errors.Is(err, os.ErrNotExist) {
			break
		}
		if err != nil {
			return fmt.Errorf("opening the run: %w", err)
		}
		b.files = append(b.files, &linesFile{name: name, f: f})
	}
	known := len(b.refs)
	for _, f := range b.files {
		if err := b.scan(f); err != nil {
			return fmt.Errorf("reading %s: %w", filepath.Join(b.dir, f.name), err)
		}
	}
	if len(b.refs) == known {
		return nil
	}
	// A block that was written again after a failed sync is there twice.
	slices.SortStableFunc(b.refs, func(x, y ref) int { return cmp.Compare(x.n, y.n) })
	b.refs = slices.CompactFunc(b.refs, func(x, y ref) bool { return x.n == y.n })
	b.next, _ = slices.BinarySearchFunc(b.refs, b.after+1, func(r ref, n uint64) int { return cmp.Compare(r.n, n) })
	return nil
}

func (b *Blocks) scan(f *linesFile) error {
	f.tail = damage{}
	s := newScanner(io.NewSectionReader(f.f, f.scanned, math.MaxInt64-f.scanned), f.scanned)
	bad := damage{file: f, after: f.lastN}
	for {
		p, err := s.next()
		if errors.Is(err, io.EOF) {
			f.tail = bad
			return nil
		}
		if err != nil {
			return err
		}
		if !p.good {
			if bad.size == 0 {
				bad.offset = p.offset
			}
			bad.size += int64(len(p.data))
			continue
		}
		if bad.size > 0 {
			f.damage = append(f.damage, bad)
		}
		b.refs = append(b.refs, ref{n: p.seal.n, file: f, offset: p.offset, size: len(p.data)})
		f.lastN = p.seal.n
		f.scanned = p.offset + int64(len(p.data))
		bad = damage{file: f, after: f.lastN}
	}
}

// Close closes the run's files.
func (b *Blocks) Close() error {
	var err error
	for _, f := range b.files {
		err = errors.Join(err, f.f.Close())
	}
	b.files = nil
	return err
}

// zstdFrame is how many bytes of lines go into one frame of frames.lp.zst.
// Damage costs at most one frame; blocks do not cross frames.
const zstdFrame = 1 << 20

var zstdMagic = []byte{0x28, 0xb5, 0x2f, 0xfd}

// sealedReader is the lines of a frames.lp.zst. It leaves out frames that can
// not be read.
type sealedReader struct {
	dec  *zstd.Decoder
	data []byte // what is left of the file
	out  []byte // what is left of the current frame
	buf  []byte
}

func newSealedReader(data []byte) (*sealedReader, error) {
	// One goroutine, and no more memory than a frame of ours can need.
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(zstdFrame+2*maxBlock))
	if err != nil {
		return nil, err
	}
	return &sealedReader{dec: dec, data: data}, nil
}

// Read implements [io.Reader].
func (r *sealedReader) Read(p []byte) (int, error) {
	for len(r.out) == 0 {
		if !r.frame() {
			return 0, io.EOF
		}
	}
	n := copy(p, r.out)
	r.out = r.out[n:]
	return n, nil
}

// frame unpacks the next frame that is whole.
func (r *sealedReader) frame() bool {
	for {
		start := bytes.Index(r.data, zstdMagic)
		if start < 0 {
			return false
		}
		r.data = r.data[start:]
		end := len(zstdMagic)
		// The magic number may stand inside a frame by chance: try further ends.
		for range 3 {
			i := bytes.Index(r.data[end:], zstdMagic)
			if i < 0 {
				end = len(r.data)
			} else {
				end += i
			}
			out, err := r.dec.DecodeAll(r.data[:end], r.buf[:0])
			if err == nil {
				r.buf, r.out, r.data = out, out, r.data[end:]
				return true
			}
			if i < 0 {
				break
			}
			end += len(zstdMagic)
		}
		r.data = r.data[len(zstdMagic):]
	}
}
