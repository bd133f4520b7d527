package sheet

import (
	"math"

	"tipoff/calib/unit"
	"tipoff/logger/envelope"
	"tipoff/logger/journal"
	"tipoff/logger/phase"
	"tipoff/logger/plantcare"
	"tipoff/logger/vacuum"
)

// Vacuum is what a stretch with the pump shut, or a pump-down, showed of the
// plant. Uncertainties are standard ones (k = 1).
type Vacuum struct {
	Kind    string `json:"kind"` // tight, leak, outgassing, virtual leak, bending over, leak and outgassing, pump-down
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
	Text    string `json:"text"`
}

// vacuum fits what the run shows of the plant.
func (s *Sheet) vacuum(env *envelope.Envelope, segments []phase.Segment) {
	r := &s.record
	volume := vacuum.Quantity{X: math.NaN(), U: math.NaN()}
	if v := env.Bench.ManifoldVolume; v > 0 && env.Known {
		volume = plantcare.Volume(v + envelope.Volume(env.Card))
	}
	u := make([]float64, len(r.u))
	for i := range r.u {
		u[i] = r.u[i].Pressure
	}
	limit := math.NaN()
	for i := range env.Limits {
		if l := &env.Limits[i]; l.ID == envelope.RateOfRise && l.Unknown == "" {
			limit = l.High
		}
	}
	r.stretches = plantcare.Examine(r.obs, u, segments, volume)
	if env.Known {
		r.stretches = append(r.stretches, plantcare.Filled(r.obs, u, segments, env.Bench.ManifoldVolume, envelope.Volume(env.Card))...)
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
		if e.Kind != journal.PumpDown && e.Phase != phase.Fill.String() {
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
