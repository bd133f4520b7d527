package journal

import (
	"bytes"
	"errors"
	"math"
	"strconv"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"tipoff/calib"
	"tipoff/calib/gauge"
	"tipoff/logger/frame"
	"tipoff/logger/phase"
)

// Record is one line of a run.
type Record struct {
	IsFrame bool
	Frame   frame.Frame // if IsFrame
	Phase   phase.ID    // if IsFrame
	Event   Event       // if not IsFrame
}

func (r *Record) at() time.Duration {
	if r.IsFrame {
		return r.Frame.At
	}
	return r.Event.At
}

// Reader reads a run, sealed or not. Only lines of blocks whose checksum is
// right are read; damage is passed over and told by Damage.
type Reader struct {
	meta   *Meta
	layout *frame.Layout
	blocks *Blocks
	dec    *decoder
	lost   gaps
}

// gaps finds losses while blocks pass.
type gaps struct {
	n    uint64  // of the latest block
	s    float64 // time of the latest line
	open bool    // blocks are missing before the line that comes next
	all  []Lost
}

// Open opens the run in folder dir. A run being recorded is read up to its
// latest synced block.
func Open(dir string) (*Reader, error) {
	m, err := LoadMeta(dir)
	if err != nil {
		return nil, err
	}
	return open(dir, m)
}

func open(dir string, m *Meta) (*Reader, error) {
	l, err := m.Layout.Frame()
	if err != nil {
		return nil, err
	}
	d, err := newDecoder(l, m.base())
	if err != nil {
		return nil, err
	}
	b, err := OpenBlocks(dir, 0)
	if err != nil {
		return nil, err
	}
	return &Reader{meta: m, layout: l, blocks: b, dec: d}, nil
}

// OpenThinned is Open for a reader who needs frames only as often as every
// interval: frames between are passed over before they are decoded, which is most
// of the work. Events all come.
func OpenThinned(dir string, every time.Duration) (*Reader, error) {
	r, err := Open(dir)
	if err != nil {
		return nil, err
	}
	if i := r.layout.Interval; i > 0 {
		r.dec.every = int(every / i)
	}
	return r, nil
}

// Meta is the run's run.toml.
func (r *Reader) Meta() *Meta { return r.meta }

// Layout is the layout of the run's frames.
func (r *Reader) Layout() *frame.Layout { return r.layout }

// Next reads the next line into rec, whose content it replaces. At the end the
// error is [io.EOF]; of a run being recorded there may be more later.
func (r *Reader) Next(rec *Record) error {
	for {
		if r.dec.next(rec) {
			s := (rec.at() - r.meta.Started.Mono()).Seconds()
			if r.lost.open {
				r.lost.all[len(r.lost.all)-1].ToS = s
				r.lost.open = false
			}
			r.lost.s = s
			return nil
		}
		b, err := r.blocks.Next()
		if err != nil {
			return err
		}
		if b.N != r.lost.n+1 {
			r.lost.all = append(r.lost.all, Lost{
				FromS: r.lost.s, ToS: r.lost.s, Blocks: int64(b.N - r.lost.n - 1), Reason: "missing or damaged",
			})
			r.lost.open = true
		}
		r.lost.n = b.N
		r.dec.block(b.Data)
	}
}

// Damage is what the lines read so far lack: blocks missing between them. What
// sealing found is in Meta().Lost.
func (r *Reader) Damage() []Lost { return r.lost.all }

// Close closes the run's files.
func (r *Reader) Close() error { return r.blocks.Close() }

// A decoder turns the lines of good blocks back into frames and events.
type decoder struct {
	lp     *lineprotocol.Decoder
	base   int64
	fields map[string]slot
	n      int

	every  int    // of so many frames one is decoded; 0 and 1: all
	passed int    // frames since the last one that was decoded
	kept   []byte // lines of the block that are decoded
}

type slot struct {
	channel int8
	part    int8
}

func newDecoder(l *frame.Layout, base int64) (*decoder, error) {
	names, err := fieldNames(l.Channels)
	if err != nil {
		return nil, err
	}
	d := &decoder{base: base, fields: make(map[string]slot), n: len(names)}
	for i := range names {
		for j, name := range names[i] {
			d.fields[name] = slot{int8(i), int8(j)}
		}
	}
	return d, nil
}

func (d *decoder) block(data []byte) {
	if d.every > 1 {
		data = d.thin(data)
	}
	d.lp = lineprotocol.NewDecoderWithBytes(data)
}

// thin leaves of the frames' lines one in every; other lines stay.
func (d *decoder) thin(data []byte) []byte {
	d.kept = d.kept[:0]
	for line := range bytes.Lines(data) {
		if bytes.HasPrefix(line, frameLine) {
			if d.passed++; d.passed < d.every {
				continue
			}
			d.passed = 0
		}
		d.kept = append(d.kept, line...)
	}
	return d.kept
}

var frameLine = []byte("frame ")

var errLine = errors.New("not a line of a run")

// next decodes the next line; false at the block's end. A line in a form that
// this version does not know is passed over.
func (d *decoder) next(rec *Record) bool {
	if d.lp == nil {
		return false
	}
	for d.lp.Next() {
		name, err := d.lp.Measurement()
		if err != nil {
			continue
		}
		switch string(name) {
		case "frame":
			err = d.frame(rec)
		case "event":
			err = d.event(rec)
		default:
			err = errLine
		}
		if err == nil {
			return true
		}
	}
	d.lp = nil
	return false
}

func (d *decoder) frame(rec *Record) error {
	rec.IsFrame = true
	rec.Event = Event{}
	rec.Phase = phase.Idle
	f := &rec.Frame
	*f = frame.Frame{}
	none := calib.Value{X: math.NaN(), U: math.NaN()}
	var differs [frame.MaxChannels]uint16 // bits of the parts that were given
	for i := range d.n {
		f.Readings[i] = frame.Reading{Value: none, Indicated: none, Raw: math.NaN(), Aux: math.NaN(), Samples: 1}
	}
	for i := d.n; i < len(f.Readings); i++ {
		f.Readings[i] = frame.Reading{}
	}
	for {
		key, kind, data, err := d.lp.NextFieldBytes()
		if err != nil {
			return err
		}
		if key == nil {
			break
		}
		at, ok := d.fields[string(key)]
		if !ok {
			switch string(key) {
			case "phase":
				p, ok := phase.Named(string(data))
				if kind != lineprotocol.String || !ok {
					return errLine
				}
				rec.Phase = p
			case "gas":
				g, ok := gauge.GasOf(data)
				if kind != lineprotocol.String || !ok {
					return errLine
				}
				f.Gas, f.GasKnown = g, true
			case "seq":
				if f.Seq, err = strconv.ParseUint(string(data), 10, 63); err != nil || kind != lineprotocol.Int {
					return errLine
				}
			}
			continue
		}
		if kind != lineprotocol.Float && kind != lineprotocol.Int {
			return errLine
		}
		x, err := strconv.ParseFloat(string(data), 64)
		if err != nil || math.IsInf(x, 0) || x != x {
			return errLine
		}
		r := &f.Readings[at.channel]
		differs[at.channel] |= 1 << at.part
		switch at.part {
		case fieldValue:
			r.Value.X = x
		case fieldU:
			r.Value.U = x
		case fieldRaw:
			r.Raw = x
		case fieldAux:
			r.Aux = x
		case fieldSamples:
			if !(x >= 0 && x <= math.MaxInt32) {
				return errLine
			}
			r.Samples = int32(x)
		case fieldQuality:
			if !(x >= 0 && x <= math.MaxUint16) {
				return errLine
			}
			r.Value.Q = calib.Quality(x)
		case fieldIndicated:
			r.Indicated.X = x
		case fieldIndicatedU:
			r.Indicated.U = x
		case fieldIndicatedQ:
			if !(x >= 0 && x <= math.MaxUint16) {
				return errLine
			}
			r.Indicated.Q = calib.Quality(x)
		case fieldIndicatedNone:
			if x == 1 || x == 3 {
				differs[at.channel] |= 1 << fieldIndicated
			}
			if x == 2 || x == 3 {
				differs[at.channel] |= 1 << fieldIndicatedU
			}
		}
	}
	for i := range d.n {
		r := &f.Readings[i]
		if differs[i]&(1<<fieldIndicated) == 0 {
			r.Indicated.X = r.Value.X
		}
		if differs[i]&(1<<fieldIndicatedU) == 0 {
			r.Indicated.U = r.Value.U
		}
		if differs[i]&(1<<fieldIndicatedQ) == 0 {
			r.Indicated.Q = r.Value.Q
		}
	}
	stamp, err := d.stamp()
	f.At = stamp
	return err
}

// stamp is the line's monotonic time. A line without one is not believed.
func (d *decoder) stamp() (time.Duration, error) {
	data, err := d.lp.TimeBytes()
	if err != nil {
		return 0, err
	}
	ns, err := strconv.ParseInt(string(data), 10, 64)
	if err != nil {
		return 0, errLine
	}
	return time.Duration(ns - d.base), nil
}

func (d *decoder) event(rec *Record) error {
	rec.IsFrame = false
	rec.Event = Event{}
	e := &rec.Event
	for {
		key, value, err := d.lp.NextTag()
		if err != nil {
			return err
		}
		if key == nil {
			break
		}
		if string(key) == "kind" {
			e.Kind = EventKind(value)
		}
	}
	mono := false
	for {
		key, value, err := d.lp.NextField()
		if err != nil {
			return err
		}
		if key == nil {
			break
		}
		switch kind := value.Kind(); {
		case string(key) == "id" && kind == lineprotocol.String:
			e.ID = value.StringV()
		case string(key) == "text" && kind == lineprotocol.String:
			e.Text = value.StringV()
		case string(key) == "count" && kind == lineprotocol.Int:
			e.Count = value.IntV()
		case string(key) == "mono_ns" && kind == lineprotocol.Int:
			e.At, mono = time.Duration(value.IntV()), true
		case string(key) == "trusted" && kind == lineprotocol.Bool:
			e.Trusted = value.BoolV()
		case string(key) == "wall_ns" && kind == lineprotocol.Int:
			e.Wall = time.Unix(0, value.IntV()).UTC()
		}
	}
	if e.Kind == "" || !mono {
		return errLine
	}
	_, err := d.stamp()
	return err
}
