package casefile

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

func TestTheWholeVehicleChartShowsOneQuantityAlone(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	reading := func(daysAgo int, quantity *creepagev1.Reading_Quantity, ohms float64) *creepagev1.AssessedReading {
		return &creepagev1.AssessedReading{Reading: &creepagev1.Reading{
			Component: creepagev1.Reading_SYSTEM, Conductor: creepagev1.Reading_ALL, Reference: creepagev1.Reading_CHASSIS,
			Method: creepagev1.Reading_VOLTMETER, Quantity: quantity, ResistanceOhms: ohms, MeasureTime: timestamppb.New(now.AddDate(0, 0, -daysAgo))}}
	}
	page := func(parts ...*creepagev1.Part) *File {
		p := &File{Vehicle: &creepagev1.Vehicle{}, Outlook: &creepagev1.Outlook{Parts: parts}, Platform: &creepagev1.Platform{CodeQuantity: creepagev1.Reading_WEAKER_POLE}}
		p.Readings = []*creepagev1.AssessedReading{
			reading(1, creepagev1.Reading_WEAKER_POLE.Enum(), 2e6),
			reading(2, creepagev1.Reading_PARALLEL.Enum(), 1.1e6),
			reading(3, nil, 1.2e6),
		}
		return p
	}
	whole := func(group string, ohms float64) *creepagev1.Part {
		return &creepagev1.Part{Component: creepagev1.Reading_SYSTEM, Group: group, OperatingOhms: ohms}
	}
	for name, c := range map[string]struct {
		parts []*creepagev1.Part
		want  []float64
	}{
		"the parallel track is the lower": {[]*creepagev1.Part{whole("weaker_pole", 2e6), whole("parallel", 1e6)}, []float64{1.2e6, 1.1e6}},
		"only the weaker pole has one":    {[]*creepagev1.Part{whole("weaker_pole", 2e6)}, []float64{2e6}},
		"no track: the code's quantity":   {nil, []float64{2e6}},
	} {
		ch := page(c.parts...).chart("whole", creepagev1.Reading_SYSTEM, now, View{}, true)
		got := make([]float64, len(ch.Readings))
		for i, r := range ch.Readings {
			got[i] = r.Ohms
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: marks %v, want %v", name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: marks %v, want %v", name, got, c.want)
			}
		}
	}
}

func TestAVehicleThatNothingWasSaidOfYetHasAChart(t *testing.T) {
	f := &File{Vehicle: &creepagev1.Vehicle{}, Platform: &creepagev1.Platform{}}
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	if chart, heading := f.Whole(now, View{}); heading != "Whole vehicle" || !chart.To.After(now) || len(f.Parts(now, View{})) != 0 {
		t.Errorf("%s, %+v", heading, chart)
	}
}

// Evaluated yesterday evening, looked at in the morning: the chart's date is the
// one beside it, not a day later.
func TestTheChartsDateIsTheOutlooks(t *testing.T) {
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	days := 30.0
	o := &creepagev1.Outlook{State: creepagev1.Outlook_DUE, EvaluateTime: timestamppb.New(now.Add(-12 * time.Hour)), DaysToCodeP50: &days,
		Parts: []*creepagev1.Part{{Component: creepagev1.Reading_SYSTEM, Group: "parallel", OperatingOhms: 1e6}}}
	f := (&File{Vehicle: &creepagev1.Vehicle{}, Outlook: o, Platform: &creepagev1.Platform{}}).chart("whole", creepagev1.Reading_SYSTEM, now, View{}, true).Forecast
	if got := now.Add(time.Duration(f.DaysP50 * 24 * float64(time.Hour))).Format(DayForm); got != DueOf(o).Big {
		t.Errorf("the chart says %s, the page %s", got, DueOf(o).Big)
	}
}

func TestASentenceOfTheAPIIsWrittenAsPeopleSayIt(t *testing.T) {
	for in, want := range map[string]string{
		"battery hv_minus to chassis was not measured since 2026-03-02": "battery HV− to chassis was not measured since 2 Mar 2026",
		"motor phase_u and fuel_cell hv_plus; weaker_pole":              "motor phase U and fuel cell HV+; weaker pole",
		"by 2026-03-02T10:00 or 12026-03-02":                            "by 2026-03-02T10:00 or 12026-03-02",
	} {
		if got := Prose(in); got != want {
			t.Errorf("%q is written %q, want %q", in, got, want)
		}
	}
}
