package plan

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"tipoff/logger/envelope"
	"tipoff/logger/model"
)

// TestTune prints shops; seeds below 1000 are for tuning.
func TestTune(t *testing.T) {
	from, err := strconv.ParseUint(os.Getenv("TUNE"), 10, 64)
	if err != nil {
		t.Skip("only with TUNE=first seed, N=number")
	}
	count, _ := strconv.ParseUint(os.Getenv("N"), 10, 64)
	good, over, stern, hot, carb := 0, 0, 0, 0, 0
	quiet := os.Getenv("Q") != ""
	nth := map[string]int{}
	print, println := fmt.Printf, fmt.Println
	if quiet {
		print, println = func(string, ...any) (int, error) { return 0, nil }, func(...any) (int, error) { return 0, nil }
	}
	for seed := from; seed < from+max(1, count); seed++ {
		s := openShop(seed)
		d := s.drawn.Config
		print("seed %d: OD %.1f bore %.1f L %.2f %s %s rating %.0f mA lag %v seat %.2f react %v OC %.0f\n", seed, d.Tube.Outside*1e3, d.Tube.Bore*1e3,
			d.Tube.Length, s.drawn.Glass, d.Tube.Coating, d.Tube.Rating*1e3, d.Bench.Lag, d.Bench.Seating, s.drawn.Habit.Reaction, d.Bench.OpenCircuit)
		for n := 1; n <= 3; n++ {
			e, err := s.process(n)
			if err != nil {
				println("   ", err, errors.Is(err, errLack))
				break
			}
			p := &e.chosen.Plan
			o := &e.chosen.Prediction.Best
			print("  %d conf %.2f dry %.2f/%.0f until %.0f; %.2f Torr %.0f mA to %.0f; %.2f Torr %.0f mA; reach %.0f stop %.0f | model peak %.0f rate %.1f main %.0f shells %.0f total %.0f shell %.0f\n", n, e.chosen.Confidence,
				p.DryPressure/torr, p.DryCurrent*1e3, p.DryUntil, p.Pressure/torr, p.Current*1e3, p.ShellsAt, p.ShellPressure/torr, p.ShellCurrent*1e3, p.Reach, p.StopAt, o.Peak, o.Rate, o.MainTime, o.ShellTime, o.Total, o.Shell)
			for _, d := range e.chosen.Doubts {
				print("      doubt %s %.2f", d.Limit, d.Share)
			}
			print("\n    done %v read %.0f sensed %.0f hottest %.0f carb %.2f shell %.0f | fit %d rms %.1f from %.1f used %v %s | outside %v\n", e.done, e.read, e.sensed, e.hottest, e.carbonate, e.shell,
				e.residual.Points, e.residual.RMS, e.residual.Before, e.residual.Used, e.residual.Why, e.outside())
			for _, f := range e.findings {
				if f.Verdict == envelope.Outside || os.Getenv("V") != "" {
					println("      ", f.Verdict, f.Text)
				}
			}
			if os.Getenv("V") != "" {
				for _, g := range e.segments {
					print("       %s %.1f", g.Phase, (g.To - g.From).Seconds())
				}
				println()
				for c := model.Constant(0); int(c) < model.NumConstants; c++ {
					print("       %s %.3g ±%.2f", model.Describe(c).ID, s.params.Value(c), s.params.Spread(c))
				}
				println()
			}
			if n > 1 {
				for _, x := range e.beyond() {
					nth[fmt.Sprint(n, x)]++
				}
			}
			if quiet && (len(e.outside()) > 0 || len(e.beyond()) > 0 || !e.done || n > 1 && e.sensed > s.env.Ceiling()) {
				fmt.Printf("seed %d run %d conf %.2f: done %v outside %v beyond %v; read %.0f sensed %.0f hottest %.0f carb %.2f ceil %.0f\n", seed, n, e.chosen.Confidence, e.done, e.outside(), e.beyond(), e.read, e.sensed, e.hottest, e.carbonate, s.env.Ceiling())
			}
			if n > 1 && e.hottest > s.env.Ceiling() {
				hot++
			}
			if n == 3 && e.carbonate > 0.05 {
				carb++
			}
			if n == 3 && len(e.beyond()) == 0 && e.done {
				stern++
			}
			if n > 1 && (e.read > s.env.Ceiling() || e.sensed > s.env.Ceiling()) {
				over++
			}
			if n == 3 && len(e.outside()) == 0 && e.done {
				good++
			}
		}
	}
	fmt.Printf("good %d stern %d over %d hottest over %d carbonate left %d of %d %v\n", good, stern, over, hot, carb, count, nth)
	_ = strings.Join
}
