package board

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
)

// How many of a vehicle's newest readings its page draws: three years of visits
// every other week with a dozen points, and five of a monitor's value a day. The
// page says so where there are more.
const (
	testsDrawn   = 1000
	monitorDrawn = 2000
)

// rowsOpen is how many readings of tests the page lists: two or three visits;
// monitorOpen how many values of the monitor. The others have a page of their own.
const (
	rowsOpen    = 30
	monitorOpen = 8
)

// record is all that the page of one vehicle is made of.
type record struct {
	casefile.File
	More bool // there are older readings
}

// load asks for all of it at once; for readings, for those of the days shown.
func (b *Board) load(ctx context.Context, name string, shown daysShown) (*record, error) {
	var rec record
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() (err error) {
		if rec.Vehicle, err = b.fleet.GetVehicle(ctx, &creepagev1.GetVehicleRequest{Name: name}); err != nil {
			return err
		}
		rec.Platform, err = b.platforms.GetPlatform(ctx, &creepagev1.GetPlatformRequest{Name: rec.Vehicle.GetPlatform()})
		return err
	})
	g.Go(func() (err error) {
		rec.Outlook, err = b.fleet.GetOutlook(ctx, &creepagev1.GetOutlookRequest{Name: name + "/outlook"})
		if status.Code(err) == codes.NotFound {
			return nil // not evaluated yet; a vehicle that does not exist is found out above
		}
		return err
	})
	g.Go(func() error {
		res, err := b.fleet.ListTracks(ctx, &creepagev1.ListTracksRequest{Parent: name})
		rec.Tracks = res.GetTracks()
		return err
	})
	var tests, monitor newest
	g.Go(func() (err error) {
		tests, err = b.newest(ctx, name, "method != MONITOR", shown, testsDrawn)
		return err
	})
	g.Go(func() (err error) {
		monitor, err = b.newest(ctx, name, "method = MONITOR", shown, monitorDrawn)
		return err
	})
	g.Go(func() error {
		res, err := b.fleet.ListRepairs(ctx, &creepagev1.ListRepairsRequest{Parent: name, PageSize: 200})
		rec.Repairs = res.GetRepairs()
		return err
	})
	g.Go(func() error {
		res, err := b.fleet.ListCodes(ctx, &creepagev1.ListCodesRequest{Parent: name, PageSize: 200})
		rec.Codes = res.GetCodes()
		return err
	})
	g.Go(func() error {
		res, err := b.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{PageSize: 200, Filter: `vehicle = "` + name + `"`})
		rec.Warnings = res.GetWarnings()
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	rec.More = tests.more || monitor.more
	rec.Readings = slices.Concat(tests.readings, monitor.readings)
	slices.SortStableFunc(rec.Readings, func(a, b *creepagev1.AssessedReading) int {
		return b.GetReading().GetMeasureTime().AsTime().Compare(a.GetReading().GetMeasureTime().AsTime())
	})
	return &rec, nil
}

// newest are a vehicle's newest readings of some method, newest first.
type newest struct {
	readings []*creepagev1.AssessedReading
	more     bool // there are older ones
}

// newest asks for readings of the days shown page by page, most of them at most.
func (b *Board) newest(ctx context.Context, vehicle, method string, shown daysShown, most int) (newest, error) {
	var out newest
	req := &creepagev1.ListReadingsRequest{Parent: vehicle, PageSize: 1000, Filter: method}
	if f := shown.filter(); f != "" {
		req.Filter += " AND " + f
	}
	for {
		res, err := b.fleet.ListReadings(ctx, req)
		if err != nil {
			return newest{}, err
		}
		out.readings = append(out.readings, res.GetReadings()...)
		req.PageToken = res.GetNextPageToken()
		if out.more = req.PageToken != ""; !out.more || len(out.readings) >= most {
			return out, nil
		}
	}
}

type partRow struct {
	casefile.PartChart
	Chart template.HTML
}

type readingRow struct {
	*creepagev1.AssessedReading
	Value     string
	Corrected string // to 20 C, "" without a temperature
	How       string // method and circumstances
	Doubt     string
	Void      string
	Notes     []*creepagev1.Note
}

type vehiclePage struct {
	*record
	Name      string
	Due       casefile.Due
	Next      string
	Heading   string // what the chart shows
	Chart     template.HTML
	Drawn     int
	Steps     []chartStep
	Fitted    bool // the chart is as wide as there is room
	Parts     []partRow
	Rows      []readingRow // of tests, the newest
	Monitor   []readingRow // of the on-board monitor, the newest
	Tests     int          // how many of the loaded readings are of tests
	Values    int          // and how many of the monitor
	Standing  []*creepagev1.Warning
	Past      []*creepagev1.Warning
	Corrected bool
	Shown     daysShown
	zone      *time.Location    // whose days they are
	Switch    map[string]string // addresses of the other views
	RequestID string
	Today     string
	Kinds     []string
	Parties   []string // components
	Told      account  // the outlook's reason
	Would     string   // what would change the verdict
	Wrong     mistakes // of the form for a repair
	Form      url.Values
}

func (p *vehiclePage) view() casefile.View {
	return casefile.View{From: p.Shown.From, To: p.Shown.To, Corrected: p.Corrected}
}

// draw makes the large chart.
func (p *vehiclePage) draw(now time.Time, size draw.Size) {
	whole, heading := p.Whole(now, p.view())
	p.Heading = heading
	whole.ID = fmt.Sprintf("whole-%.0f", size.Width)
	whole.Title = "Insulation of " + p.Name + ": " + strings.ToLower(heading)
	p.Drawn, whole.Zone = len(whole.Readings), p.zone
	p.Chart = template.HTML(whole.SVG(size))
	p.Steps = chartSteps(whole.From, whole.To, p.zone, p.Corrected)
}

// vehicle loads what the address asks for and draws its large chart.
func (b *Board) vehicle(r *http.Request, size draw.Size) (*vehiclePage, error) {
	q := r.URL.Query()
	zone := zoneOf(r)
	shown := daysOf(q, b.now(), zone)
	rec, err := b.load(r.Context(), "vehicles/"+r.PathValue("vehicle"), shown)
	if err != nil {
		return nil, err
	}
	p := &vehiclePage{record: rec, Name: id(rec.Vehicle.GetName()), Corrected: q.Get("as") == "corrected", Shown: shown, zone: zone}
	p.draw(b.now(), size)
	return p, nil
}

func (b *Board) showVehicle(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.vehiclePage(w, r, v, http.StatusOK, mistakes{})
}

func (b *Board) vehiclePage(w http.ResponseWriter, r *http.Request, v *visitor, code int, wrong mistakes) {
	size, fitted := firstSize(r)
	p, err := b.vehicle(r, size)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Fitted, p.Wrong, p.Form = fitted, wrong, r.PostForm
	q := r.URL.Query()
	p.RequestID, p.Today, p.Kinds, p.Parties = newID("repair"), b.now().UTC().Format(fieldTime), []string{"replaced", "repaired", "cleaned"}, components()
	if at, err := formTime(r, "occur_time"); err == nil {
		p.Today = at.Format(fieldTime)
	}
	p.Switch = map[string]string{"measured": view(q, "as", ""), "corrected": view(q, "as", "corrected")}
	for _, part := range p.record.Parts(b.now(), p.view()) {
		part.Chart.Zone = p.zone
		p.Parts = append(p.Parts, partRow{part, template.HTML(part.Chart.SVG(draw.Small))})
	}
	p.rows()
	for _, warning := range p.Warnings {
		if warning.GetEndTime() == nil {
			p.Standing = append(p.Standing, warning)
		} else {
			p.Past = append(p.Past, warning)
		}
	}
	if o := p.Outlook; o != nil {
		p.Due, p.Next, p.Told, p.Would = casefile.DueOf(o), casefile.NextStep(o), tell(o.GetReason()), casefile.WouldChange(o)
	}
	b.render(w, r, code, "vehicle", p.Name, v, p)
}

func view(q url.Values, name, value string) string {
	c := url.Values{}
	for k, vs := range q {
		if k != "done" {
			c[k] = vs
		}
	}
	if value == "" {
		c.Del(name)
	} else {
		c.Set(name, value)
	}
	return "?" + c.Encode()
}

func (p *vehiclePage) rows() {
	doubts := map[string]*creepagev1.DoubtedReading{}
	for _, d := range p.Outlook.GetDoubted() {
		doubts[d.GetReadingId()] = d
	}
	for i, a := range p.Readings {
		r := a.GetReading()
		row := rowOf(a, p.Tops()[i])
		if d := doubts[r.GetReadingId()]; d != nil {
			row.Doubt = d.GetReason()
		}
		if r.GetMethod() == creepagev1.Reading_MONITOR {
			p.Values++
			if len(p.Monitor) < monitorOpen {
				p.Monitor = append(p.Monitor, row)
			}
			continue
		}
		p.Tests++
		if len(p.Rows) < rowsOpen {
			p.Rows = append(p.Rows, row)
		}
	}
}

// howText is the method of a reading and what was noted with it.
func howText(r *creepagev1.Reading) string {
	s := casefile.Word(r.GetMethod())
	add := func(v *float64, unit string) {
		if v != nil {
			s += fmt.Sprintf(", %.4g %s", *v, unit)
		}
	}
	add(r.TestVolts, "V")
	add(r.HoldSeconds, "s")
	add(r.TemperatureCelsius, "°C")
	add(r.HumidityPercent, "% humid")
	if r.Meter != nil {
		s += ", " + id(r.GetMeter())
	}
	return s
}

func back(r *http.Request, done string) string {
	return "/vehicles/" + url.PathEscape(r.PathValue("vehicle")) + "?done=" + done
}

const noRepair = "No repair was recorded."

func (b *Board) recordRepair(w http.ResponseWriter, r *http.Request, v *visitor) {
	at, err := formTime(r, "occur_time")
	if err != nil {
		b.vehiclePage(w, r, v, http.StatusBadRequest, oneMistake("repair.occur_time", fmt.Sprintf("%q is no time; want one such as 2026-03-02T14:05", r.PostFormValue("occur_time")), noRepair))
		return
	}
	repair := &creepagev1.Repair{OccurTime: timestamppb.New(at),
		Component: creepagev1.Reading_Component(creepagev1.Reading_Component_value[strings.ToUpper(r.PostFormValue("component"))]),
		Kind:      creepagev1.Repair_Kind(creepagev1.Repair_Kind_value[strings.ToUpper(r.PostFormValue("kind"))])}
	if note := strings.TrimSpace(r.PostFormValue("note")); note != "" {
		repair.Note = &note
	}
	_, err = b.fleet.CreateRepair(r.Context(), &creepagev1.CreateRepairRequest{Parent: "vehicles/" + r.PathValue("vehicle"), Repair: repair, RequestId: r.PostFormValue("request_id")})
	if taken(err) {
		b.vehiclePage(w, r, v, http.StatusBadRequest, mistakesOf(err, noRepair))
		return
	}
	b.done(w, r, v, err, "repair")
}

func (b *Board) done(w http.ResponseWriter, r *http.Request, v *visitor, err error, what string) {
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, back(r, what), http.StatusSeeOther)
}

func (b *Board) acknowledge(w http.ResponseWriter, r *http.Request, v *visitor) {
	_, err := b.warnings.AcknowledgeWarning(r.Context(), &creepagev1.AcknowledgeWarningRequest{Name: "warnings/" + r.PathValue("warning"), Note: strings.TrimSpace(r.PostFormValue("note"))})
	b.done(w, r, v, err, "acknowledged")
}

func (b *Board) recordFinding(w http.ResponseWriter, r *http.Request, v *visitor) {
	_, err := b.warnings.RecordFinding(r.Context(), &creepagev1.RecordFindingRequest{Name: "warnings/" + r.PathValue("warning"),
		Finding:   creepagev1.Warning_Finding(creepagev1.Warning_Finding_value[strings.ToUpper(r.PostFormValue("finding"))]),
		Component: creepagev1.Reading_Component(creepagev1.Reading_Component_value[strings.ToUpper(r.PostFormValue("component"))]),
		Note:      strings.TrimSpace(r.PostFormValue("note"))})
	b.done(w, r, v, err, "finding")
}

// fieldTime is the form of a date and time field, by the HTML standard.
const fieldTime = "2006-01-02T15:04"

// formTime reads a date and time field. Browsers send local time without a
// zone; the page's script adds the viewer's offset in minutes, without it the
// field is labelled and read as UTC.
func formTime(r *http.Request, name string) (time.Time, error) {
	t, err := time.Parse(fieldTime, r.PostFormValue(name))
	if err != nil {
		return t, err
	}
	if offset, err := time.ParseDuration(r.PostFormValue(name+"_offset") + "m"); err == nil {
		t = t.Add(offset)
	}
	return t, nil
}
