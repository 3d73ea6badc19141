package backtest

import (
	"context"
	"fmt"
	"io"

	"creepage/internal/trend"
)

// Ablation is what a physics' fleets come to with some of the learning left out.
type Ablation struct {
	Physics   string
	Name      string // what was learned
	Judgement Judgement
}

var ablations = []struct {
	name  string
	leave trend.Subjects
}{
	{"all is learned", 0},
	{"nothing is", trend.AllSubjects},
	{"all but what came of forecasts", trend.Calibrations},
	{"all but levels of platforms", trend.Levels},
	{"all but scatter", trend.Noise},
	{"all but temperature", trend.Temperatures},
	{"all but onsets", trend.Onsets},
	{"all but meters", trend.Meters},
	{"all but monitors' ceilings", trend.Ceilings},
	{"all but shifts of bounds", trend.BoundShifts},
}

// Ablate replays the very same fleets with everything learned, with nothing,
// and with each part left out by itself.
func (e Exam) Ablate(ctx context.Context, c Config, each func(Ablation)) error {
	for _, p := range e.Physics {
		for _, a := range ablations {
			c.Leave = a.leave
			j, _, err := e.judge(ctx, p, c, nothingMore)
			if err != nil {
				return fmt.Errorf("physics %s, %s: %w", p.Name, a.name, err)
			}
			each(Ablation{p.Name, a.name, j})
		}
	}
	return nil
}

func nothingMore(context.Context, *Records, func(string) string) error { return nil }

// Print writes one line for people, below a heading where a physics begins.
func (a *Ablation) Print(w io.Writer) {
	if a.Name == ablations[0].name {
		fmt.Fprintf(w, "\n%s: %d vehicles, %.0f vehicle-years, %d codes\n  %-32s %8s %8s %9s %9s %8s %8s %8s %10s\n", a.Physics, a.Judgement.Vehicles, a.Judgement.VehicleYears, a.Judgement.Codes,
			"", "in time", "false", "Brier 30", "Brier 90", "log 90", "AUC 90", "encloses", "component")
	}
	j := &a.Judgement
	fmt.Fprintf(w, "  %-32s %8.3f %8.2f %9.3f %9.3f %8.4f %8.3f %8.3f %10.3f\n", a.Name, j.measure(nameInTime), j.falseRate(), j.measure("Brier skill 30 d"), j.measure("Brier skill 90 d"),
		j.measure("log score 90 d"), j.measure("AUC 90 d"), j.measure("80 % interval encloses"), j.measure("component named first"))
}
