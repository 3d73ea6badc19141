package backtest

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"creepage/internal/record"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

// Exam says on which simulated fleets the method is judged.
type Exam struct {
	Physics  []simulate.Physics
	Seeds    []uint64
	Vehicles int
	Years    float64
	Policy   trend.Policy
}

// Report is the result of an exam on one physics, all seeds together.
type Report struct {
	Physics   string
	Seeds     []uint64
	Judgement Judgement
	Rivals    []RivalResult
}

// Take makes every fleet, replays it and scores it, physics by physics. Each
// report is handed over as soon as it stands.
func (e Exam) Take(ctx context.Context, c Config, each func(Report)) error {
	for _, p := range e.Physics {
		r, err := e.physics(ctx, p, c)
		if err != nil {
			return fmt.Errorf("physics %s: %w", p.Name, err)
		}
		each(r)
	}
	return nil
}

func (e Exam) physics(ctx context.Context, p simulate.Physics, c Config) (Report, error) {
	rivals := newRivals(methods())
	j, truth, err := e.judge(ctx, p, c, rivals.replay)
	if err != nil {
		return Report{}, err
	}
	return Report{Physics: p.Name, Seeds: e.Seeds, Judgement: j, Rivals: rivals.compare(truth, j.falseRate())}, nil
}

// judge makes the fleets of one physics, replays and scores them; also is shown
// each fleet's records and what its vehicles are called.
func (e Exam) judge(ctx context.Context, p simulate.Physics, c Config, also func(context.Context, *Records, func(string) string) error) (Judgement, []record.Truth, error) {
	var (
		truth    []record.Truth
		outlooks []record.Outlook
		warnings []record.Warning
	)
	for _, seed := range e.Seeds {
		fleet, err := simulate.New(simulate.Config{Physics: p, Vehicles: e.Vehicles, Years: e.Years, Seed: seed})
		if err != nil {
			return Judgement{}, nil, err
		}
		records := FromFleet(fleet.Platforms, fleet.Readings, fleet.Events, fleet.Codes)
		result, err := Run(ctx, records, c)
		if err != nil {
			return Judgement{}, nil, err
		}
		// The same vehicle names stand in every fleet: the seed tells them apart.
		named := func(vehicle string) string { return fmt.Sprintf("%d/%s", seed, vehicle) }
		for _, t := range fleet.Truth {
			t.Vehicle = named(t.Vehicle)
			truth = append(truth, t)
		}
		for _, o := range result.Outlooks {
			o.Vehicle = named(o.Vehicle)
			outlooks = append(outlooks, o)
		}
		for _, w := range result.Warnings {
			w.Vehicle = named(w.Vehicle)
			warnings = append(warnings, w)
		}
		if err := also(ctx, records, named); err != nil {
			return Judgement{}, nil, err
		}
	}
	return Judge(truth, outlooks, warnings), truth, nil
}

func (j *Judgement) measure(name string) float64 {
	for _, m := range j.Measures {
		if strings.TrimSpace(m.Name) == name {
			return float64(m.Value)
		}
	}
	return math.NaN()
}

const (
	nameInTime = "warned in time (7-180 d)"
	nameFalse  = "false per 100 vehicle-years"
)

func (j *Judgement) falseRate() float64 { return j.measure(nameFalse) }

// Print writes a report for people.
func (r Report) Print(w io.Writer) {
	fmt.Fprintf(w, "\n%s, seeds %v\n", r.Physics, r.Seeds)
	r.Judgement.Print(w)
	if len(r.Rivals) == 0 {
		return
	}
	fmt.Fprintf(w, "\n  simpler methods on the same records, threshold set to the false rate above\n  %-44s %8s %8s %9s %9s %9s %9s %8s %8s\n", "", "in time", "false",
		"Brier 30", "Brier 90", "log 30", "log 90", "AUC 30", "AUC 90")
	for _, v := range r.Rivals {
		fmt.Fprintf(w, "  %-44s %8.3f %8.2f %9.3f %9.3f %9.3f %9.3f %8.3f %8.3f\n", v.Name, float64(v.InTime), float64(v.FalseRate),
			float64(v.Skill[0].Brier), float64(v.Skill[1].Brier), float64(v.Skill[0].Log), float64(v.Skill[1].Log), float64(v.Skill[0].AUC), float64(v.Skill[1].AUC))
	}
	fmt.Fprintln(w, "  (their Brier skill and log score are those of the best rising map from their index to a probability, fitted on these very records)")
}

// Print writes the scores for people.
func (j *Judgement) Print(w io.Writer) {
	fmt.Fprintf(w, "  %d vehicles, %.0f vehicle-years, %d codes (95 %% intervals by bootstrap over vehicles)\n", j.Vehicles, j.VehicleYears, j.Codes)
	for _, m := range j.Measures {
		fmt.Fprintf(w, "  %-30s %7.3f   %7.3f to %7.3f\n", m.Name, float64(m.Value), float64(m.Low), float64(m.High))
	}
	fmt.Fprintf(w, "\n  %-14s %8s %6s %8s %9s %5s %7s %15s %15s %6s\n", "story", "vehicles", "codes", "in time", "too early", "late", "missed", "monitor in time", "testers in time", "false")
	for _, s := range j.ByStory {
		fmt.Fprintf(w, "  %-14s %8d %6d %8d %9d %5d %7d %15s %15s %6d\n", s.Story, s.Vehicles, s.Codes, s.InTime, s.TooEarly, s.Late, s.Missed,
			fmt.Sprintf("%d of %d", s.MonitorInTime, s.MonitorCodes), fmt.Sprintf("%d of %d", s.TestInTime, s.TestCodes), s.FalseEpisodes)
	}
	fmt.Fprintf(w, "\n  %-22s %9s %8s %8s\n", "stated within 90 d", "outlooks", "stated", "observed")
	for _, b := range j.Reliability {
		fmt.Fprintf(w, "  %-22s %9d %8.3f %8.3f\n", fmt.Sprintf("%.2f to %.2f", b.From, b.To), b.Outlooks, b.Stated, b.Observed)
	}
}
