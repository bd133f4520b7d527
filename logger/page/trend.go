package page

import (
	"fmt"
	"math"
	"net/http"
	"strings"

	"tipoff/logger/journal"
	"tipoff/logger/plantcare"
)

// quantityView is a quantity of the plant over the runs, as the page shows it.
type quantityView struct {
	plantcare.Trend
	Lines       []string // points of polylines in a box of 600 by 120; a run that tells nothing parts them
	Dots        [][2]string
	Top, Bottom string
	Latest      string
}

// Said is what the trend comes to and the latest value, in sentences.
func (v quantityView) Said() string {
	said := strings.ToUpper(v.Words[:1]) + v.Words[1:]
	if !strings.HasSuffix(said, "?") {
		said += "."
	}
	if v.Latest != "-" {
		said += fmt.Sprintf(" Last: %s %s.", v.Latest, v.Unit)
	}
	return said
}

// rowView is a run with a figure for each quantity.
type rowView struct {
	ID, Tube string
	Figures  []string
}

// trend shows how pump and leaks go over the runs.
func (s *site) trend(w http.ResponseWriter, r *http.Request) {
	var runs []plantcare.Run
	var trouble []string
	if s.archive != nil {
		list, err := s.archive.List()
		if err != nil {
			s.fail(w, "reading the list of runs", err)
			return
		}
		// The list is newest first; no more runs are read than a trend is told from.
		for i := min(len(list), plantcare.Window) - 1; i >= 0; i-- {
			m, err := journal.LoadMeta(s.archive.RunDir(list[i].ID))
			if err != nil {
				trouble = append(trouble, err.Error())
				continue
			}
			if m.Outcome != journal.Recording {
				runs = append(runs, plantcare.Of(m))
			}
		}
	}
	var views []quantityView
	for _, t := range plantcare.Trends(runs) {
		views = append(views, viewOf(t))
	}
	const shown = 15
	var rows []rowView
	for i := len(runs) - 1; i >= max(0, len(runs)-shown); i-- {
		row := rowView{ID: runs[i].ID, Tube: runs[i].Tube}
		for _, v := range views {
			row.Figures = append(row.Figures, plantcare.Figure(v.Values[i]))
		}
		rows = append(rows, row)
	}
	s.show(w, http.StatusOK, "trend.html", map[string]any{
		"Title": "Pump and leaks", "Quantities": views, "Rows": rows, "Trouble": trouble,
	})
}

// viewOf draws a trend from nought to a tenth above its highest value.
func viewOf(t plantcare.Trend) quantityView {
	v := quantityView{Trend: t, Latest: "-", Bottom: "0"}
	high := 0.0
	for _, x := range t.Values {
		if x > high && !math.IsInf(x, 0) {
			high = x
		}
	}
	if high == 0 {
		return v
	}
	high *= 1.1
	v.Top = plantcare.Figure(high)
	var line []string
	end := func() {
		if len(line) > 1 {
			v.Lines = append(v.Lines, strings.Join(line, " "))
		}
		line = nil
	}
	for i, x := range t.Values {
		if !(x >= 0) || math.IsInf(x, 0) {
			end()
			continue
		}
		px := fmt.Sprintf("%.1f", 6+588*float64(i)/float64(max(1, len(t.Values)-1)))
		py := fmt.Sprintf("%.1f", 114-108*x/high)
		line = append(line, px+","+py)
		v.Dots = append(v.Dots, [2]string{px, py})
		v.Latest = plantcare.Figure(x)
	}
	end()
	return v
}
