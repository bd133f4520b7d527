package sheet

import (
	"math"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/plantcare"
)

// Vacuum is what a stretch with the pump shut, or a pump-down, showed of the
// plant. Uncertainties are standard ones (k = 1).
type Vacuum struct {
	// Kind is tight, leak, straight, outgassing, virtual leak, bending over, leak and
	// outgassing, too short to tell or pump-down.
	Kind    string `json:"kind"`
	Phase   string `json:"phase"`
	FromS   Number `json:"from_s"`
	ToS     Number `json:"to_s"`
	Rate    Number `json:"rate_micron_per_min"` // rise over the whole stretch
	RateU   Number `json:"rate_uncertainty"`
	Limit   Number `json:"rate_limit_micron_per_min"`
	Final   Number `json:"final_micron_per_min"` // rise that stays when the bending is over
	FinalU  Number `json:"final_uncertainty"`
	Inflow  Number `json:"inflow_torr_l_per_s"` // rate times volume
	InflowU Number `json:"inflow_uncertainty"`
	Leak    Number `json:"leak_torr_l_per_s"` // final times volume: what a leak can be
	LeakU   Number `json:"leak_uncertainty"`
	Speed   Number `json:"speed_l_per_s"`
	SpeedU  Number `json:"speed_uncertainty"`
	Base    Number `json:"base_torr"`
	BaseU   Number `json:"base_uncertainty"`
	Load    Number `json:"load_torr_l_per_s"`
	LoadU   Number `json:"load_uncertainty"`
	// Together is how many stretches this one is made of, which are listed as well.
	Together int    `json:"together"`
	Text     string `json:"text"`
}

// vacuum writes down what the run shows of the plant.
func (s *Sheet) vacuum(env *envelope.Envelope) {
	r := &s.record
	limit := math.NaN()
	for i := range env.Limits {
		if l := &env.Limits[i]; l.ID == envelope.RateOfRise && l.Unknown == "" {
			limit = l.High
		}
	}
	s.Vacuum = []Vacuum{}
	perMinute, _ := shown("Pa/s")
	flow := func(x float64) Number { return Number(plantcare.TorrLitres(x)) }
	for i, e := range s.Plant() {
		v := Vacuum{
			Kind: e.Kind, Phase: e.Phase, FromS: Number(e.FromS), ToS: Number(e.ToS),
			Rate: Number(e.Rate * perMinute), RateU: Number(e.RateU * perMinute), Limit: Number(math.NaN()),
			Final: Number(e.Final * perMinute), FinalU: Number(e.FinalU * perMinute),
			Inflow: flow(e.Inflow), InflowU: flow(e.InflowU), Leak: flow(e.Leak), LeakU: flow(e.LeakU),
			Speed: Number(e.Speed * 1000), SpeedU: Number(e.SpeedU * 1000),
			Base: Number(e.Base / unit.Torr), BaseU: Number(e.BaseU / unit.Torr), Load: flow(e.Load), LoadU: flow(e.LoadU),
			Text: r.stretches[i].Sentence(limit),
		}
		v.Together = r.stretches[i].Together
		if e.Kind != journal.PumpDown && e.Phase == phase.LeakTest.String() {
			v.Limit = Number(limit * perMinute)
		}
		s.Vacuum = append(s.Vacuum, v)
	}
}

// Plant is what the run shows of the plant, as run.toml keeps it in SI units.
func (s *Sheet) Plant() []journal.Vacuum {
	var list []journal.Vacuum
	for i := range s.record.stretches {
		list = append(list, s.record.stretches[i].Entry(s.record.start))
	}
	return list
}
