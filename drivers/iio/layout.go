package iio

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// scanType is how a scan element lies in the buffer:
// [be|le]:[s|u|f]bits/storagebits[Xrepeat][>>shift].
type scanType struct {
	big     bool
	kind    byte // 's' two's complement, 'u' unsigned, 'f' IEEE 754
	bits    int
	storage int // bits: 8, 16, 32, 64
	repeat  int // at least 1; the driver uses the first
	shift   int
}

// parseType reads the text of a _type attribute.
func parseType(text string) (t scanType, err error) {
	fail := func(what string) (scanType, error) {
		return scanType{}, fmt.Errorf("scan type %q: %s", text, what)
	}
	s := strings.TrimSpace(text)
	endian, s, ok := strings.Cut(s, ":")
	if !ok || endian != "le" && endian != "be" {
		return fail("it does not begin with le: or be:")
	}
	t.big = endian == "be"
	if s == "" || !strings.Contains("suf", s[:1]) {
		return fail("the number is none of s, u, f")
	}
	t.kind = s[0]
	s, shift, shifted := strings.Cut(s[1:], ">>")
	if shifted {
		if t.shift, err = size(shift); err != nil {
			return fail("wrong shift")
		}
	}
	bits, storage, ok := strings.Cut(s, "/")
	if !ok {
		return fail("no storage size")
	}
	storage, repeat, repeated := strings.Cut(storage, "X")
	t.repeat = 1
	if repeated {
		if t.repeat, err = size(repeat); err != nil {
			return fail("wrong repeat")
		}
		t.repeat = max(t.repeat, 1) // the ABI takes 0 for 1
	}
	if t.bits, err = size(bits); err != nil {
		return fail("wrong number of bits")
	}
	if t.storage, err = size(storage); err != nil || !slices.Contains([]int{8, 16, 32, 64}, t.storage) {
		return fail("the storage is none of 8, 16, 32, 64 bits")
	}
	if t.bits < 1 || t.bits+t.shift > t.storage {
		return fail("the bits do not fit the storage")
	}
	if t.kind == 'f' && (t.bits != t.storage || t.shift != 0 || t.storage < 32) {
		return fail("a floating-point number has 32 or 64 bits and no shift")
	}
	return t, nil
}

// size reads a small number of digits only.
func size(s string) (int, error) {
	n, err := strconv.ParseUint(s, 10, 8)
	if err != nil || s[0] == '+' {
		return 0, strconv.ErrSyntax
	}
	return int(n), nil
}

// String is the text of the _type attribute.
func (t scanType) String() string {
	endian, repeat := "le", ""
	if t.big {
		endian = "be"
	}
	if t.repeat > 1 {
		repeat = "X" + strconv.Itoa(t.repeat)
	}
	return fmt.Sprintf("%s:%c%d/%d%s>>%d", endian, t.kind, t.bits, t.storage, repeat, t.shift)
}

// bytes is the room that the element takes.
func (t scanType) bytes() int { return t.storage / 8 * t.repeat }

// word takes the storage word out of b, which begins with the element.
func (t scanType) word(b []byte) uint64 {
	var order binary.ByteOrder = binary.LittleEndian
	if t.big {
		order = binary.BigEndian
	}
	switch t.storage {
	case 8:
		return uint64(b[0])
	case 16:
		return uint64(order.Uint16(b))
	case 32:
		return uint64(order.Uint32(b))
	}
	return order.Uint64(b)
}

// integer is the code of an 's' or 'u' element.
func (t scanType) integer(b []byte) int64 {
	w := t.word(b) >> t.shift << (64 - t.bits)
	if t.kind == 's' {
		return int64(w) >> (64 - t.bits)
	}
	return int64(w >> (64 - t.bits))
}

// value is the element's number.
func (t scanType) value(b []byte) float64 {
	switch {
	case t.kind == 'f' && t.storage == 32:
		return float64(math.Float32frombits(uint32(t.word(b))))
	case t.kind == 'f':
		return math.Float64frombits(t.word(b))
	case t.kind == 'u':
		return float64(uint64(t.integer(b)))
	}
	return float64(t.integer(b))
}

// rails are the ends of the code, equal if there are none.
func (t scanType) rails() (low, high float64) {
	switch t.kind {
	case 's':
		return -math.Exp2(float64(t.bits - 1)), math.Exp2(float64(t.bits-1)) - 1
	case 'u':
		return 0, math.Exp2(float64(t.bits)) - 1
	}
	return 0, 0
}

// element is one enabled element of a scan.
type element struct {
	name  string // "in_voltage0"
	index int
	scanType
	at int // byte offset in the scan
}

// place sorts elements by index, gives each its offset and returns the size of
// a scan. It follows the kernel's iio_compute_scan_bytes: each element begins at
// a multiple of its own size, and the scan's size is a multiple of the largest.
func place(es []element) (scan int) {
	slices.SortStableFunc(es, func(a, b element) int { return a.index - b.index })
	largest := 1
	for i := range es {
		n := es[i].bytes()
		align := 1
		for align < n {
			align *= 2
		}
		scan = (scan + align - 1) / align * align
		es[i].at = scan
		scan += n
		largest = max(largest, align)
	}
	return (scan + largest - 1) / largest * largest
}
