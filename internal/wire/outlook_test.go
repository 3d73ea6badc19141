package wire

import (
	"math"
	"strings"
	"testing"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

func TestOutlookEnumNumbersOfTheContractAreThoseOfTheDomain(t *testing.T) {
	for i := 1; i < len(creepagev1.Outlook_State_name); i++ {
		if c, d := creepagev1.Outlook_State(i).String(), trend.State(i).String(); strings.ToLower(c) != d {
			t.Errorf("the contract's %s has the number of the domain's %q", c, d)
		}
	}
	for i := 1; i < len(creepagev1.Warning_Kind_name); i++ {
		if c, d := creepagev1.Warning_Kind(i).String(), trend.WarningKind(i).String(); strings.ToLower(c) != d {
			t.Errorf("the contract's %s has the number of the domain's %q", c, d)
		}
	}
	for i := 1; i < len(creepagev1.Repair_Kind_name); i++ {
		if c, d := creepagev1.Repair_Kind(i).String(), insulation.EventKind(i).String(); strings.ToLower(c) != d {
			t.Errorf("the contract's %s has the number of the domain's %q", c, d)
		}
	}
	verdicts := map[insulation.Verdict]creepagev1.Assessment_ServiceLimit{insulation.Met: creepagev1.Assessment_MET, insulation.NotMet: creepagev1.Assessment_NOT_MET,
		insulation.CannotTell: creepagev1.Assessment_CANNOT_TELL, insulation.NotApplicable: creepagev1.Assessment_NO_LIMIT}
	for d, c := range verdicts {
		if creepagev1.Assessment_ServiceLimit(d) != c {
			t.Errorf("the domain's verdict %s has not the number of the contract's %s", d, c)
		}
	}
}

func TestAnOutlookLeavesOutDaysBeyondTwoYearsAndWhatCannotBeNamed(t *testing.T) {
	m := OutlookMessage(&trend.Outlook{State: trend.Steady, DaysP10: 700, DaysP50: math.NaN(), DaysP90: math.NaN(), P30: 0.01,
		Parts: []trend.Part{{Group: trend.GroupKey{Component: insulation.Motor, Conductor: trend.Phases}, LevelNow: trend.Band{P50: 1e9}, Decline: 0.5, Share: math.NaN()}}})
	if m.DaysToCodeP10 == nil || m.DaysToCodeP50 != nil || m.DaysToCodeP90 != nil || m.LimitingComponent != nil || m.MeasureAgainBy != nil || m.MeasureNext != nil {
		t.Errorf("%v", m)
	}
	part := m.GetParts()[0]
	if part.GetDecadesPer_30D() != -0.5 || part.GetGroup() != "phases" || part.GetConductanceShare() != 0 || part.ServiceLimitOhms != nil {
		t.Errorf("%v", part)
	}
}

func TestARepairInTheFutureIsRefused(t *testing.T) {
	now := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	_, err := Repair(&creepagev1.Repair{Component: creepagev1.Reading_MOTOR, OccurTime: Timestamp(now.Add(time.Hour))}, "truck-17", now)
	for _, want := range []string{"occur_time: 2026-03-02T01:00:00Z lies in the future", "kind: is missing; allowed are REPLACED, REPAIRED, CLEANED"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want it to say %q", err, want)
		}
	}
}
