package phase

import "math"

// warmth tells live that the torch is on the tubulation: ln p leaves the line on
// which a fill has settled and goes over into a warming. For each moment at which
// the torch may have come it asks by how many standard deviations line and
// warming together fit better than the line (a matched filter with the line
// projected out). What it needs to be sure within 3 s no filter can do without.
type warmth struct {
	t, y  [warmMost]float64 // ring of readings
	n     int               // readings ever
	from  float64           // s, when the fill had settled
	tried float64           // s, when it was last asked
	z     float64           // what the answer was
	ago   float64           // s, how long before the answer was first sure the torch seemed to have come
	sure  bool              // the answer has been sure
	noise float64           // mean departure of single readings
	seen  float64           // how many departures
	doubt bool              // the last reading was left out
}

const (
	warmMost = 320
	warmBack = 30.0 // s of line at most
	warmLine = 4.0  // s of line at least
	warmEach = 0.2  // s between two askings
	// warmSure is how many standard deviations are no chance over the half
	// minute or minute that a fill stands: on plant runs 2 in 100 fills.
	warmSure = 4.2
	// warmBeyond is from how many the warmth is believed against a contact on the
	// torch that says that it is not in use: its wire may be broken.
	warmBeyond = 7.0
	// warmLate is how long ago, s, the torch may have come for its warmth to be news.
	// What the gauge shows later than that goes to limits and sheet, and is not
	// announced.
	warmLate = 2.5
	// warmMore is how much of ln p the torch cannot make: hot gas of a third of a
	// millilitre, and some water. More is a vent's first breath.
	warmMore = 0.02
)

// warmSince are the moments tried, s back from now.
var warmSince = [...]float64{1, 1.5, 2, 2.5, 3, 4, 5, 6.5}

// step takes a reading of a fill that has settled at from.
func (w *warmth) step(y, at, from float64) float64 {
	if from != w.from {
		*w = warmth{from: from}
	}
	if y != y || at < from {
		return w.z
	}
	if w.n > 0 && at-w.at(1) > 3 { // a gap
		*w = warmth{from: from}
	}
	if last := w.y[(w.n+warmMost-1)%warmMost]; w.seen > 20 && math.Abs(y-last) > 8*w.noise && !w.doubt {
		w.doubt = true // a spike, unless the next says so, too
		return w.z
	}
	w.doubt = false
	w.t[w.n%warmMost], w.y[w.n%warmMost] = at, y
	w.n++
	if w.n > 2 {
		x := departure(w.y[(w.n-3)%warmMost], w.y[(w.n-2)%warmMost], y)
		if w.seen > 20 {
			x = min(x, 4*w.noise) // a spike
		}
		w.seen++
		w.noise += (x - w.noise) / w.seen
	}
	if at-w.tried < warmEach-1e-6 || w.seen < 20 {
		return w.z
	}
	var ago float64
	w.tried = at
	if w.z, ago = w.ask(at); w.z > warmSure && !w.sure {
		w.sure, w.ago = true, ago
	}
	return w.z
}

func (w *warmth) at(back int) float64 { return w.t[(w.n-back)%warmMost] }

// ask is by how many standard deviations, and how long ago, s, the torch came.
func (w *warmth) ask(now float64) (z, since float64) {
	t0, y0 := now, w.y[(w.n-1)%warmMost]
	var line sums
	first := 0
	for back := 1; back <= min(w.n, warmMost) && now-w.at(back) <= warmBack; back++ {
		i := (w.n - back) % warmMost
		x, y := w.t[i]-t0, w.y[i]-y0
		line.add(x, y, x)
		first = back
	}
	begin := w.at(first)
	sxx := line.xx - line.x*line.x/line.n
	sxy := line.xy - line.x*line.y/line.n
	sigma := max(w.noise*1.2533, 4e-5) // the deviation of a normal law by its mean departure
	for _, ago := range warmSince {
		if now-ago-begin < warmLine {
			break
		}
		var s sums
		for back := 1; back < first; back++ {
			i := (w.n - back) % warmMost
			x := w.t[i] - t0
			if x <= -ago {
				break
			}
			s.add(warming(x+ago), w.y[i]-y0, x)
		}
		// The shape is nought before: only the sums over all have those readings.
		along := s.xt - s.x*line.x/line.n
		left := s.xx - s.x*s.x/line.n - along*along/sxx
		size := s.xy - s.x*line.y/line.n - along*sxy/sxx
		if left > 1e-9 && size < warmMore {
			if x := size / math.Sqrt(left) / sigma; x > z {
				z, since = x, ago
			}
		}
	}
	return z, since
}
