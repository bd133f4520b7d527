package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// copyRun copies a run with its frames.lp replaced.
func copyRun(t testing.TB, from string, lines []byte) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), filepath.Base(from))
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	meta, err := os.ReadFile(filepath.Join(from, metaName))
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string][]byte{metaName: meta, "frames.lp": lines} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// The last block is cut at every byte; all before it must stay, and no line of
// it may be believed until its last byte is there.
func TestTornTail(t *testing.T) {
	src := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, src, 15, 5)
	whole, err := os.ReadFile(filepath.Join(src, "frames.lp"))
	if err != nil {
		t.Fatal(err)
	}
	// Where the block before the last ends: after its seal's newline.
	seals := bytes.Split(whole, []byte("\n# seal "))
	last := bytes.LastIndex(whole, []byte("\n# seal n=2 ")) + 1
	if len(seals) != 4 || last == 0 {
		t.Fatalf("expected 3 blocks:\n%s", whole)
	}
	last += bytes.IndexByte(whole[last:], '\n') + 1
	name := filepath.Join(src, "frames.lp")
	meta, err := LoadMeta(src)
	if err != nil {
		t.Fatal(err)
	}
	for cut := last; cut <= len(whole); cut++ {
		if err := os.WriteFile(name, whole[:cut], 0o644); err != nil {
			t.Fatal(err)
		}
		want := 10
		if cut == len(whole) {
			want = 15
		}
		got := readLines(t, src, meta)
		if len(got.frames) != want {
			t.Fatalf("cut at byte %d of %d: %d frames, want %d", cut, len(whole), len(got.frames), want)
		}
		checkFrames(t, got)
		if cut%397 != 0 && cut != len(whole)-1 {
			continue
		}
		// Recovery agrees with the reader, and keeps the torn bytes.
		dir := copyRun(t, src, whole[:cut])
		m, err := Recover(dir)
		if err != nil {
			t.Fatal(err)
		}
		if m.Outcome != Interrupted || cut < len(whole) && cut > last && len(m.Lost) != 1 {
			t.Fatalf("cut at %d: outcome %s, lost %v", cut, m.Outcome, m.Lost)
		}
		got = readAll(t, dir)
		if len(got.frames) != want {
			t.Fatalf("cut at byte %d: %d frames after recovery, want %d", cut, len(got.frames), want)
		}
		if cut > last && cut < len(whole) {
			torn, err := os.ReadFile(filepath.Join(dir, tornName))
			if err != nil || !bytes.Contains(torn, whole[last:cut]) {
				t.Fatalf("frames.torn lacks the torn bytes: %v", err)
			}
		}
		if err := Verify(dir); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDamage(t *testing.T) {
	src := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, src, 50, 5) // blocks 1..10
	whole, err := os.ReadFile(filepath.Join(src, "frames.lp"))
	if err != nil {
		t.Fatal(err)
	}
	end := func(n int) int { // where block n ends
		i := bytes.Index(whole, fmt.Appendf(nil, "\n# seal n=%d ", n)) + 1
		return i + bytes.IndexByte(whole[i:], '\n') + 1
	}
	splice := func(from, to int, with string) []byte {
		return append(append(append([]byte(nil), whole[:from]...), with...), whole[to:]...)
	}
	zeros := string(make([]byte, 4096))
	f := func(why string, lines []byte, frames, lost int) {
		t.Helper()
		dir := copyRun(t, src, lines)
		got := readAll(t, dir)
		if len(got.frames) != frames {
			t.Errorf("%s: %d frames, want %d", why, len(got.frames), frames)
		}
		checkFrames(t, got)
		m, err := Recover(dir)
		if err != nil {
			t.Errorf("%s: %v", why, err)
			return
		}
		if len(m.Lost) != lost {
			t.Errorf("%s: lost %+v, want %d", why, m.Lost, lost)
		}
		after := readAll(t, dir)
		if len(after.frames) != frames {
			t.Errorf("%s: %d frames after recovery, want %d", why, len(after.frames), frames)
		}
		checkFrames(t, after)
		if again, err := Recover(dir); err != nil || again.Outcome != Interrupted {
			t.Errorf("%s: recovering again: %v", why, err)
		}
	}
	f("nothing wrong", whole, 50, 0)
	f("empty file: made, and then the power went", nil, 0, 0)
	f("zeros at the end: the file grew before its data came", append(append([]byte(nil), whole...), zeros...), 50, 1)
	f("a zeroed page in the middle", splice(end(4)+10, end(4)+30, zeros), 45, 1)
	f("a block cut out whole", splice(end(4), end(5), ""), 45, 1)
	f("a block missing at the start", splice(0, end(1), ""), 45, 1)
	f("a block twice: a copy error", splice(end(5), end(5), string(whole[end(4):end(5)])), 50, 0)
	f("the newline before a seal is gone", splice(end(4)-60, end(4), ""), 45, 1)
	f("the newline after a seal is gone", splice(end(4)-1, end(4), ""), 45, 1)
	f("garbage between blocks loses nothing", splice(end(4), end(4), "# seal n=9 lines=1 bytes=99999999 prev=0 crc32c=0\n\xff\xfe"), 50, 0)
	f("a seal that claims the blocks before it", splice(end(4), end(4), "# seal n=4 lines=5 bytes=500 prev=00000000 crc32c=00000000\n"), 50, 0)
	f("blocks out of order", append(append(append(append([]byte(nil), whole[:end(3)]...), whole[end(4):end(5)]...), whole[end(3):end(4)]...), whole[end(5):]...), 50, 0)
	f("two bad spots", append(splice(end(2)+5, end(2)+6, "\x00")[:end(7)+9:end(7)+9], whole[end(7)+10:]...), 40, 2)
}

// Every single bit flip costs its block at most, and never shows a wrong value.
func TestBitFlips(t *testing.T) {
	src := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, src, 15, 5)
	name := filepath.Join(src, "frames.lp")
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	meta, err := LoadMeta(src)
	if err != nil {
		t.Fatal(err)
	}
	// 7 is prime to the line length, so all kinds of places are hit.
	for bit := 0; bit < 8*len(whole); bit += 7 {
		whole[bit/8] ^= 1 << (bit % 8)
		if err := os.WriteFile(name, whole, 0o644); err != nil {
			t.Fatal(err)
		}
		got := readLines(t, src, meta)
		whole[bit/8] ^= 1 << (bit % 8)
		// The case of a checksum's own digit says nothing: the block is proved right.
		want := 10
		mark := []byte(" crc32c=")
		at := bytes.LastIndex(whole[:bit/8], mark)
		if at >= 0 && bit/8-at-len(mark) < 8 && bit%8 == 5 && whole[bit/8] >= 'a' {
			want = 15
		}
		if len(got.frames) != want {
			t.Fatalf("bit %d flipped: %d frames, want %d", bit, len(got.frames), want)
		}
		checkFrames(t, got)
	}
}

func TestSealedDamage(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "2026-11-25-001")
	record(t, dir, 12000, 500) // several zstd frames
	if _, err := Recover(dir); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, sealedName)
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	frames := bytes.Count(whole, zstdMagic)
	if frames < 3 {
		t.Fatalf("%d zstd frames, want some", frames)
	}
	for _, at := range []int{0, 5, len(whole) / 2, len(whole) - 1} {
		whole[at] ^= 0x10
		if err := os.WriteFile(name, whole, 0o644); err != nil {
			t.Fatal(err)
		}
		whole[at] ^= 0x10
		got := readAll(t, dir)
		checkFrames(t, got)
		if n := len(got.frames); n < 12000*(frames-2)/frames || n >= 12000 {
			t.Errorf("byte %d damaged: %d of 12000 frames left in %d zstd frames", at, n, frames)
		}
		if err := Verify(dir); err == nil {
			t.Errorf("byte %d damaged, and Verify is content", at)
		}
	}
}

// small is a layout of one channel: the fuzzing engine spends its time on making
// inputs smaller, and hundreds of bytes take it minutes.
func small() *frame.Layout {
	return frame.NewLayout(time.Second, []frame.Channel{{Name: "p", Role: frame.Pressure, Integer: true}})
}

// seeds is the lines of a short run as the writer makes them, in two sealed blocks.
func seeds(t testing.TB) []byte {
	t.Helper()
	enc, err := newLines(small(), 0)
	if err != nil {
		t.Fatal(err)
	}
	f := frame.Frame{Seq: 1, At: 7, Gas: gauge.Neon, GasKnown: true}
	f.Readings[0] = frame.Reading{Value: calib.Value{X: 3, U: 1}, Indicated: calib.Value{X: 2, U: 1}, Raw: 5, Aux: math.NaN(), Samples: 1}
	all, crc := appendSeal(enc.frame(nil, &f, phase.Dry), 1, 1, 0)
	block, _ := appendSeal(enc.event(nil, Event{At: 8, Kind: Note, Text: "n"}, 8), 2, 1, crc)
	return append(all, block...)
}

// Whatever bytes a file holds: blocks and damage together are no more than the
// bytes, and what is read makes sense. In memory, so that many are tried a second;
// files are the other tests' part.
func FuzzReader(f *testing.F) {
	whole := seeds(f)
	f.Add(whole, false)
	f.Add(whole[:len(whole)-30], false)
	f.Add([]byte("# seal n=1 lines=0 bytes=0 prev=00000000 crc32c=00000000\n"), false)
	f.Add([]byte("frame gas=\"ne\",p=1e400,p_q=99999i 5\n"), true)
	f.Add([]byte("event,kind=a mono_ns=1i 5\nevent mono_ns=1i 5\nframe,a=b x=\"\\\n"), true)
	d, err := newDecoder(small(), 0)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte, sealIt bool) {
		if sealIt {
			// A right seal over anything: the decoder's own tests.
			data, _ = appendSeal(append([]byte(nil), data...), 1, 1, 0)
		}
		s := newScanner(bytes.NewReader(data), 0)
		good, bad, end := 0, 0, int64(0)
		for {
			p, err := s.next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if p.offset < end {
				t.Fatalf("a piece at %d that begins before %d", p.offset, end)
			}
			end = p.offset + int64(len(p.data))
			if !p.good {
				bad += len(p.data)
				continue
			}
			good += len(p.data)
			d.block(p.data)
			var rec Record
			for d.next(&rec) {
				if rec.IsFrame && (int(rec.Phase) < 0 || rec.Frame.Readings[0].Samples < 0 || int(rec.Frame.Gas) >= gauge.Count) {
					t.Fatalf("%+v", rec)
				}
			}
		}
		if good+bad != len(data) {
			t.Fatalf("%d good and %d bad bytes of %d", good, bad, len(data))
		}
	})
}

func FuzzMeta(f *testing.F) {
	m := testMeta()
	m.Format = format
	m.Layout = LayoutOf(testLayout())
	text, err := m.encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("format = 1\n[layout]\nchannels = [{name='a', role='glass'}]"))
	f.Add([]byte("format = 2"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := parseMeta(text)
		if err != nil {
			return
		}
		if l, err := m.Layout.Frame(); err == nil && len(l.Channels) != len(m.Layout.Channels) {
			t.Fatal("channels lost")
		}
	})
}

func FuzzSealed(f *testing.F) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		f.Fatal(err)
	}
	defer enc.Close()
	whole := enc.EncodeAll(seeds(f), nil)
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add(append(append([]byte(nil), zstdMagic...), whole...))
	r, err := newSealedReader(nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r.data, r.out = data, nil
		s := newScanner(r, 0)
		for {
			p, err := s.next()
			if err != nil {
				break
			}
			if p.good && len(p.data) < p.seal.bytes {
				t.Fatalf("%+v", p.seal)
			}
		}
	})
}
