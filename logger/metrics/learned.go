package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"tipoff/logger/learn"
	"tipoff/logger/model"
)

// learnedNames are name and unit of each of the bench's own constants in its metrics.
var learnedNames = [model.NumConstants][2]string{
	model.Heating:          {"heating", "_watts_per_meter"},
	model.PressureExponent: {"pressure_exponent", ""},
	model.CurrentExponent:  {"current_exponent", ""},
	model.BoreExponent:     {"bore_exponent", ""},
	model.Convection:       {"convection", "_watts_per_square_meter_kelvin"},
	model.Lag:              {"lag", "_seconds"},
	model.ShellPower:       {"shell_power", "_ratio"},
	model.ShellWarmup:      {"shell_warmup", "_ratio"},
	model.Outgassing:       {"outgassing", "_pascal_cubic_meters_per_square_meter"},
	model.HoldPressure:     {"hold_pressure", "_pascal_meters"},
	model.PumpSpeed:        {"pump_speed", "_cubic_meters_per_second"},
	model.ManifoldVolume:   {"manifold_volume", "_cubic_meters"},
}

var (
	learnedVersion = desc("learned_version", "Version in force of what the bench has learned; absent if it has learned nothing.")
	learnedRuns    = desc("learned_runs", "Runs that version is learned from.")
	learnedValues  = learnedDescs("", ", learned from the bench's runs; absent if no run tells of it.")
	learnedDoubts  = learnedDescs("_uncertainty", ", standard uncertainty (k=1).")
)

func learnedDescs(of, help string) (d [model.NumConstants]*prometheus.Desc) {
	for i, n := range learnedNames {
		d[i] = desc("learned_"+n[0]+of+n[1], model.Constant(i).Info().Title+help)
	}
	return d
}

// collectLearned gives the bench's own constants in force, c nil: none.
func collectLearned(c *learn.Constants, gauge func(*prometheus.Desc, float64, ...string)) {
	if c == nil {
		return
	}
	gauge(learnedVersion, float64(c.Version))
	gauge(learnedRuns, float64(len(c.Runs)))
	for i := range c.Values {
		if v := &c.Values[i]; v.Runs > 0 {
			gauge(learnedValues[i], v.X)
			gauge(learnedDoubts[i], v.Doubt())
		}
	}
}
