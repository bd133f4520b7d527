package page

import (
	"fmt"
	"net/http"
	"slices"

	"tipoff/logger/chart"
	"tipoff/logger/observation"
)

// tubeKinds are what can be seen of a tube afterwards.
func tubeKinds() []observation.Kind {
	return slices.DeleteFunc(observation.Kinds(), func(k observation.Kind) bool { return !k.OfTube() })
}

// glow writes down that the shells have just begun to glow: a mark of the run being
// recorded, from which the bench learns how fast its shells warm up.
func (s *site) glow(w http.ResponseWriter, r *http.Request) {
	sn := s.src.Snapshot()
	if sn == nil {
		http.Error(w, "the bench has not given its first reading yet", http.StatusServiceUnavailable)
		return
	}
	if s.archive == nil || !sn.Run.Active {
		http.Error(w, "No run is being recorded.", http.StatusConflict)
		return
	}
	dir := s.archive.RunDir(sn.Run.ID)
	list, err := observation.Of(dir)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	// Another screen, or this one before it was loaded anew, may have said so: they begin once.
	for i := range list {
		if o := &list[i]; o.Kind == observation.Glow && o.Stands() {
			fmt.Fprintf(w, "It was written down before, at %s of the run.\n", chart.Clock(o.Into))
			return
		}
	}
	o := observation.Observation{Kind: observation.Glow, At: sn.Wall, Into: observation.Begun(dir) + (sn.Now - sn.Run.Started).Seconds()}
	if err := o.Check(); err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	if err := observation.Add(dir, o); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	fmt.Fprintf(w, "Written down at %s of the run.\n", chart.Clock(o.Into))
}
