package sheet

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

	creepagev1 "creepage/api/creepage/v1"
)

func TestAFileInAnotherEncodingOrOfAnotherKindSaysWhatToDo(t *testing.T) {
	for content, want := range map[string]string{
		"\xff\xfeN\x00r\x00":           "UTF-16",
		"PK\x03\x04":                   ".xlsx",
		"\xd0\xcf\x11\xe0\xa1":         "old kind",
		"a\x00b,c\n":                   "no text",
		"Nr;Pr\xfcfspannung\n1;500\n":  "UTF-8",
		"\"Nr\";\"Pr\xfcf\"\n1;500\n":  "UTF-8",
		"reading_id,shop\n1,y\xe4rd\n": "missing column",
	} {
		if _, err := Open(file(t, "old.csv", content), nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", content, err, want)
		}
	}
	if _, err := Suggest(file(t, "old.csv", "Nr;Pr\xfcfspannung\n1;500\n"), ""); err == nil || !strings.Contains(err.Error(), "UTF-8") {
		t.Errorf("a proposal: %v", err)
	}
}

// What stands twice in a file is known already the second time, in whatever
// request it comes: the service, which takes nothing in a check, cannot tell.
func TestACheckTakesNothingAndCountsWhatStandsTwiceInTheFile(t *testing.T) {
	const header = "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct\n"
	row := "r-1,yard,van,p,2025-06-02T09:15:00Z,tester,motor,phase_u,chassis,=,5e8,500,60,21,48\n"
	other := strings.Replace(row, "r-1", "r-2", 1)
	table, err := Open(file(t, "twice.csv", header+row+other+row+"r-3,yard\n"+other), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer table.Close()
	told := map[string]int{}
	im := Import{Batch: 1, Check: true, Submit: func(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
		if !req.GetValidateOnly() {
			t.Error("a check would have been taken")
		}
		res := &creepagev1.SubmitReadingsResponse{}
		for range req.GetReadings() {
			res.Results = append(res.Results, &creepagev1.SubmitResult{Outcome: creepagev1.SubmitResult_ACCEPTED})
		}
		return res, nil
	}, Judged: func(_ Row, refused error) {
		if refused != nil {
			told["refused"]++
		} else {
			told["taken"]++
		}
	}}
	if im.Rejects, err = NewRejects(filepath.Join(t.TempDir(), "rejects.csv"), table, 0); err != nil {
		t.Fatal(err)
	}
	n, err := im.Run(t.Context(), table)
	if err != nil || n != (Counts{Rows: 5, Accepted: 2, Duplicates: 2, Rejected: 1}) || told["taken"] != 4 || told["refused"] != 1 {
		t.Errorf("%+v, told %v, %v", n, told, err)
	}
}

// A vehicle registers itself with a row that states its platform. In a check it
// never is, and in an import only some time later: rows further down must not
// depend on that. The service here answers as intake does (services/intake
// resolve.go), of vehicles that it does not know yet.
func TestACheckSaysOfVehiclesThatTheFileItselfRegistersWhatTheImportWillDo(t *testing.T) {
	const header = "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct\n"
	row := func(id, vehicle, platform string) string {
		return id + ",yard," + vehicle + "," + platform + ",2025-06-02T09:15:00Z,tester,motor,phase_u,chassis,=,5e8,500,60,21,48\n"
	}
	content := header + row("r-1", "van", "p") + row("r-2", "van", "") + row("r-3", "van", "other") + row("r-2", "van", "p") + row("r-4", "bus", "") + row("r-5", "bus", "p") + row("r-6", "bus", "")
	for _, check := range []bool{true, false} {
		table, err := Open(file(t, "register.csv", content), nil)
		if err != nil {
			t.Fatal(err)
		}
		defer table.Close()
		sent, known := map[string]string{}, map[string]bool{}
		im := Import{Batch: 1, Check: check, Submit: func(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
			res := &creepagev1.SubmitReadingsResponse{}
			for _, r := range req.GetReadings() {
				result := &creepagev1.SubmitResult{Outcome: creepagev1.SubmitResult_ACCEPTED}
				switch {
				case r.GetPlatform() == "":
					result.Outcome = creepagev1.SubmitResult_REJECTED
				case known[r.GetReadingId()]:
					result.Outcome = creepagev1.SubmitResult_DUPLICATE
				default:
					sent[r.GetReadingId()] = r.GetPlatform()
					known[r.GetReadingId()] = !req.GetValidateOnly()
				}
				res.Results = append(res.Results, result)
			}
			return res, nil
		}}
		refused := ""
		im.Judged = func(row Row, err error) {
			if err != nil {
				refused += row.Reading.ID + ": " + err.Error() + "\n"
			}
		}
		if im.Rejects, err = NewRejects(filepath.Join(t.TempDir(), "rejects.csv"), table, 0); err != nil {
			t.Fatal(err)
		}
		n, err := im.Run(t.Context(), table)
		if err != nil || n != (Counts{Rows: 7, Accepted: 4, Duplicates: 1, Rejected: 2}) {
			t.Errorf("check %v: %+v, %v\n%s", check, n, err, refused)
		}
		if sent["r-2"] != "platforms/p" || sent["r-6"] != "platforms/p" {
			t.Errorf("check %v: sent %v", check, sent)
		}
		if check && !strings.Contains(refused, `r-3: platform: "other" is not the platform of "van", which is "p" by a row further up`) {
			t.Errorf("refused:\n%s", refused)
		}
	}
}
