package casefile

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

// Of a vehicle whose code is set no chance and no span of dates is told, of one that is not settled no chance.
func TestWhatIsNoLongerAQuestionIsNotTold(t *testing.T) {
	next := &creepagev1.MeasureNext{Component: creepagev1.Reading_CABLE, Group: "hv_plus", NarrowsTo: 0.6, Reason: "because"}
	outlook := func(change func(*creepagev1.Outlook)) *creepagev1.Outlook {
		o := &creepagev1.Outlook{State: creepagev1.Outlook_DUE, CodeProbability_90D: 0.4, CodeProbability_30D: 0.2, DaysToCodeP50: proto.Float64(70), MeasureNext: next}
		change(o)
		return o
	}
	doubted := &creepagev1.DoubtedReading{ReadingId: "r"}
	for _, c := range []struct {
		name   string
		o      *creepagev1.Outlook
		chance bool
		would  string
	}{
		{"due", outlook(func(*creepagev1.Outlook) {}), true, "narrow the span"},
		{"not settled, and warned of", outlook(func(o *creepagev1.Outlook) { o.Unsettled = doubted }), false, "narrow the span"},
		{"not settled", outlook(func(o *creepagev1.Outlook) {
			o.State, o.Unsettled, o.DaysToCodeP50 = creepagev1.Outlook_UNKNOWN, doubted, nil
		}), false, "would tell most"},
		{"too little known", outlook(func(o *creepagev1.Outlook) { o.State, o.DaysToCodeP50 = creepagev1.Outlook_UNKNOWN, nil }), true, "would tell most"},
		{"code set", outlook(func(o *creepagev1.Outlook) {
			o.State, o.CodeSetTime = creepagev1.Outlook_UNDER, timestamppb.New(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
		}), false, "would tell most"},
	} {
		if l := LikelyOf(c.o); (l.Word != "") != c.chance {
			t.Errorf("%s: the chance is told as %q", c.name, l.Word)
		}
		if w := WouldChange(c.o); !strings.Contains(w, c.would) || strings.Contains(w, "Because") == (c.o.CodeSetTime != nil) {
			t.Errorf("%s: %q, want %q", c.name, w, c.would)
		}
		if d := DueOf(c.o); c.o.Unsettled != nil && d.Small != "not known" {
			t.Errorf("%s: the code is expected %s, %s", c.name, d.Big, d.Small)
		}
	}
}
