package journal

import (
	"bytes"
	"errors"
	"hash/crc32"
	"io"
	"strconv"
)

// maxBlock bounds the memory that reading a damaged file takes. The writer's
// blocks stay far below it.
const maxBlock = 4 << 20

const sealMark = "# seal n="

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A seal is what a block's last line says.
type seal struct {
	n     uint64
	lines int
	bytes int
	prev  uint32
	crc   uint32
}

// appendSeal ends the block b (lines only) with its seal.
func appendSeal(b []byte, n uint64, lines int, prev uint32) ([]byte, uint32) {
	size := len(b)
	b = append(b, sealMark...)
	b = strconv.AppendUint(b, n, 10)
	b = append(b, " lines="...)
	b = strconv.AppendInt(b, int64(lines), 10)
	b = append(b, " bytes="...)
	b = strconv.AppendInt(b, int64(size), 10)
	b = append(b, " prev="...)
	b = appendHex(b, prev)
	b = append(b, ' ')
	crc := crc32.Checksum(b, castagnoli)
	b = append(b, "crc32c="...)
	b = appendHex(b, crc)
	return append(b, '\n'), crc
}

func appendHex(b []byte, x uint32) []byte {
	const digits = "0123456789abcdef"
	for i := 28; i >= 0; i -= 4 {
		b = append(b, digits[x>>i&15])
	}
	return b
}

// parseSeal reads a seal line without its newline. covered is how much of the
// line the checksum covers.
func parseSeal(line []byte) (s seal, covered int, ok bool) {
	rest := line
	field := func(name string, base int) uint64 {
		if !ok || !bytes.HasPrefix(rest, []byte(name)) {
			ok = false
			return 0
		}
		rest = rest[len(name):]
		end := bytes.IndexByte(rest, ' ')
		if end < 0 {
			end = len(rest)
		}
		x, err := strconv.ParseUint(string(rest[:end]), base, 63)
		if err != nil {
			ok = false
			return 0
		}
		rest = rest[end:]
		return x
	}
	ok = true
	s.n = field(sealMark, 10)
	lines := field(" lines=", 10)
	size := field(" bytes=", 10)
	prev := field(" prev=", 16)
	covered = len(line) - len(rest) + 1
	crc := field(" crc32c=", 16)
	if !ok || len(rest) != 0 || size > maxBlock || lines > size || prev > 1<<32-1 || crc > 1<<32-1 {
		return seal{}, 0, false
	}
	s.lines, s.bytes, s.prev, s.crc = int(lines), int(size), uint32(prev), uint32(crc)
	return s, covered, true
}

// A piece is what a scanner finds next: a good block or damaged bytes.
type piece struct {
	good   bool
	seal   seal
	offset int64  // of data in the stream
	data   []byte // good: lines and seal; else the damaged bytes. Valid until next
}

// A scanner splits a stream into good blocks and what lies between them. After
// damage it goes on at the next block whose seal is right.
type scanner struct {
	r      io.Reader
	buf    []byte
	start  int   // buf[:start] has been handed out
	search int   // buf[start:search] holds no whole seal line that is right
	offset int64 // of buf[0] in the stream
	eof    bool
}

func newScanner(r io.Reader, offset int64) *scanner { return &scanner{r: r, offset: offset} }

// next is the next piece. At the end what is left without a seal is a damaged
// piece, and then comes io.EOF. Other errors are those of reading.
func (s *scanner) next() (piece, error) {
	for {
		// A whole line from search on?
		for {
			i := bytes.IndexByte(s.buf[s.search:], '\n')
			if i < 0 {
				break
			}
			line := s.buf[s.search : s.search+i]
			if p, ok := s.block(line, s.search+i+1); ok {
				return p, nil
			}
			s.search += i + 1
		}
		if len(s.buf)-s.start > 2*maxBlock {
			// No block is that long: this part can not become one.
			return s.damaged(len(s.buf) - maxBlock), nil
		}
		if s.eof {
			if s.start < len(s.buf) {
				return s.damaged(len(s.buf)), nil
			}
			return piece{}, io.EOF
		}
		if err := s.fill(); err != nil {
			return piece{}, err
		}
	}
}

// block checks whether the seal line that ends before end closes a good block.
func (s *scanner) block(line []byte, end int) (piece, bool) {
	if bytes.IndexByte(line, sealMark[0]) < 0 { // almost every line, and this is quick
		return piece{}, false
	}
	// The mark may stand in mid line where the newline before it was damaged.
	at := bytes.LastIndex(line, []byte(sealMark))
	if at < 0 {
		return piece{}, false
	}
	lineStart := end - 1 - len(line)
	sl, covered, ok := parseSeal(line[at:])
	if !ok {
		return piece{}, false
	}
	sealStart := lineStart + at
	first := sealStart - sl.bytes
	if first < s.start || crc32.Checksum(s.buf[first:sealStart+covered], castagnoli) != sl.crc {
		return piece{}, false
	}
	if first > s.start {
		// Damage before a good block comes first; the block is found again.
		return s.damaged(first), true
	}
	p := piece{good: true, seal: sl, offset: s.offset + int64(first), data: s.buf[first:end]}
	s.start, s.search = end, end
	return p, true
}

// damaged hands out what lies before end; from end on it looks for seals anew.
func (s *scanner) damaged(end int) piece {
	p := piece{offset: s.offset + int64(s.start), data: s.buf[s.start:end]}
	s.start, s.search = end, end
	return p
}

func (s *scanner) fill() error {
	if s.start > 0 {
		n := copy(s.buf, s.buf[s.start:])
		s.buf = s.buf[:n]
		s.offset += int64(s.start)
		s.search -= s.start
		s.start = 0
	}
	if cap(s.buf)-len(s.buf) < 32<<10 {
		grown := make([]byte, len(s.buf), 2*cap(s.buf)+64<<10)
		copy(grown, s.buf)
		s.buf = grown
	}
	n, err := s.r.Read(s.buf[len(s.buf):cap(s.buf)])
	s.buf = s.buf[:len(s.buf)+n]
	if errors.Is(err, io.EOF) {
		s.eof = true
		return nil
	}
	return err
}
