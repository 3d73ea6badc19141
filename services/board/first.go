package board

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// firstRows is how many vehicles a page of the list holds: what a person plans
// in one go, and few enough that each can have its spark line.
const firstRows = 20

// sparkReadings is how many of a component's newest readings a spark line shows.
const sparkReadings = 40

// quietRows bounds the list of vehicles overdue for a measurement.
const quietRows = 12

// choice is what the address asks of the list.
type choice struct {
	States    []string
	Shop      string
	Platform  string
	Component string
	Within    string // days to the median date
	Vehicle   string
	Token     string
}

var (
	needStates = []string{"under", "due"}
	allStates  = []string{"under", "due", "falling", "steady", "unknown"}
	leadTimes  = []string{"14", "30", "60", "90", "180"}
)

func choiceOf(q url.Values) choice {
	c := choice{Shop: q.Get("shop"), Platform: q.Get("platform"), Component: q.Get("component"), Within: q.Get("within"), Vehicle: strings.TrimSpace(q.Get("vehicle")), Token: q.Get("page")}
	for _, s := range allStates {
		if slices.Contains(q["state"], s) {
			c.States = append(c.States, s)
		}
	}
	return c
}

// Narrowed says whether anything but the page is chosen.
func (c choice) Narrowed() bool {
	return len(c.States) > 0 || c.Shop+c.Platform+c.Component+c.Within+c.Vehicle != ""
}

// Has says whether a state is among those shown.
func (c choice) Has(state string) bool { return slices.Contains(c.shown(), state) }

// shown are the states listed: the chosen ones, else those that need
// something; a search looks through all.
func (c choice) shown() []string {
	switch {
	case len(c.States) > 0:
		return c.States
	case c.Vehicle != "":
		return allStates
	}
	return needStates
}

// filter writes the choice as the API's filter, with the given states.
func (c choice) filter(states []string) string {
	var terms []string
	add := func(field, value string) {
		if value != "" {
			terms = append(terms, field+" = "+strconv.Quote(value))
		}
	}
	if len(states) > 0 && len(states) < len(allStates) {
		words := make([]string, len(states))
		for i, s := range states {
			words[i] = "state = " + strings.ToUpper(s)
		}
		terms = append(terms, "("+strings.Join(words, " OR ")+")")
	}
	add("platform", c.Platform)
	add("last_shop", c.Shop)
	if c.Component != "" {
		terms = append(terms, "limiting_component = "+strings.ToUpper(c.Component))
	}
	if _, err := strconv.Atoi(c.Within); err == nil {
		terms = append(terms, "days_to_code_p50 <= "+c.Within)
	}
	if c.Vehicle != "" {
		add("vehicle", strings.TrimSuffix(c.Vehicle, "*")+"*")
	}
	return strings.Join(terms, " AND ")
}

// address is the page's own with another page token or state.
func (c choice) address(token string, states ...string) string {
	q := url.Values{}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	if len(states) == 0 {
		states = c.States
	}
	q["state"] = states
	set("shop", c.Shop)
	set("platform", c.Platform)
	set("component", c.Component)
	set("within", c.Within)
	set("vehicle", c.Vehicle)
	set("page", token)
	return "/?" + q.Encode()
}

// job is one vehicle of the list.
type job struct {
	Outlook *creepagev1.Outlook
	Due     casefile.Due
	Next    string
	Spark   template.HTML
	Warning *creepagev1.Warning // the newest that stands
}

type stateCount struct {
	State   string
	Count   int32
	Address string
	Shown   bool
}

type firstPage struct {
	Choice     choice
	Jobs       []job
	Total      int32
	NextPage   string
	Counts     []stateCount
	Fleet      int32
	Export     string                // address of the export of the same vehicles
	Unsettled  []*creepagev1.Outlook // whose last look is doubted, of which no warning tells
	Overdue    []*creepagev1.Outlook
	OverdueAll int32
	Other      []*creepagev1.Warning // standing on vehicles that no forecast lists
	Shops      []*creepagev1.Shop
	Platforms  []*creepagev1.Platform
	Components []string
	LeadTimes  []string
	States     []string
}

func (b *Board) showFirst(w http.ResponseWriter, r *http.Request, v *visitor) {
	if !v.May("read") {
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
		return
	}
	c := choiceOf(r.URL.Query())
	p := firstPage{Choice: c, Export: c.exportAddress(), Components: components(), LeadTimes: leadTimes, States: allStates, Counts: make([]stateCount, len(allStates))}
	var list *creepagev1.ListOutlooksResponse
	var standing []*creepagev1.Warning
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		list, err = b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: firstRows, PageToken: c.Token, Filter: c.filter(c.shown()), RecentReadings: sparkReadings})
		return err
	})
	g.Go(func() error {
		res, err := b.fleet.CountOutlooks(ctx, &creepagev1.CountOutlooksRequest{Filter: c.filter(nil)})
		for i, s := range allStates {
			p.Counts[i] = stateCount{State: s, Address: c.address("", s), Shown: c.Has(s)}
		}
		for _, n := range res.GetCounts() {
			if i := slices.Index(allStates, string(casefile.StateOf(n.GetState()))); i >= 0 {
				p.Counts[i].Count += n.GetVehicles()
			}
		}
		return err
	})
	g.Go(func() error {
		res, err := b.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{PageSize: 1000, Filter: "standing = true"})
		standing = res.GetWarnings()
		return err
	})
	g.Go(func() error { return b.overdue(ctx, &p) })
	g.Go(func() error { return b.unsettled(ctx, &p) })
	b.listPlaces(ctx, g, &p.Shops, &p.Platforms)
	if err := g.Wait(); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.fill(list, standing)
	b.render(w, r, http.StatusOK, "first", "Next in the bay", v, &p)
}

// listPlaces lists the shops and platforms by which a page can be narrowed.
func (b *Board) listPlaces(ctx context.Context, g *errgroup.Group, shops *[]*creepagev1.Shop, platforms *[]*creepagev1.Platform) {
	g.Go(func() error {
		res, err := b.access.ListShops(ctx, &creepagev1.ListShopsRequest{PageSize: 1000})
		*shops = res.GetShops()
		return err
	})
	g.Go(func() error {
		res, err := b.platforms.ListPlatforms(ctx, &creepagev1.ListPlatformsRequest{PageSize: 1000})
		*platforms = res.GetPlatforms()
		return err
	})
}

// overdue finds the vehicles whose day to measure again has passed and that
// are not in the list anyway.
func (b *Board) overdue(ctx context.Context, p *firstPage) error {
	if p.Choice.Token != "" {
		return nil
	}
	quiet := p.Choice
	quiet.Within = ""
	filter := quiet.filter([]string{"falling", "steady", "unknown"}) + fmt.Sprintf(" AND measure_again_by < %q", b.now().UTC().Truncate(24*time.Hour).Format(time.RFC3339))
	res, err := b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: quietRows, Filter: filter, OrderBy: "measure_again_by"})
	p.Overdue, p.OverdueAll = res.GetOutlooks(), res.GetTotalSize()
	return err
}

// unsettled finds the vehicles whose last look is doubted: every evaluation asks for another at once.
func (b *Board) unsettled(ctx context.Context, p *firstPage) error {
	if p.Choice.Token != "" {
		return nil
	}
	day := b.now().UTC().Truncate(24 * time.Hour)
	filter := p.Choice.filter([]string{"unknown"}) + fmt.Sprintf(" AND measure_again_by >= %q AND measure_again_by <= %q", day.AddDate(0, 0, -1).Format(time.RFC3339), day.Format(time.RFC3339))
	res, err := b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: 10 * quietRows, Filter: filter, OrderBy: "measure_again_by"})
	for _, o := range res.GetOutlooks() {
		if o.Unsettled != nil {
			p.Unsettled = append(p.Unsettled, o)
		}
	}
	return err
}

// fill joins the list with the warnings that stand, in the list's order.
func (p *firstPage) fill(list *creepagev1.ListOutlooksResponse, standing []*creepagev1.Warning) {
	newest := map[string]*creepagev1.Warning{}
	for _, w := range standing {
		if newest[w.GetVehicle()] == nil {
			newest[w.GetVehicle()] = w
		}
	}
	limits := map[string]float64{}
	for _, q := range p.Platforms {
		limits[q.GetName()] = q.GetEffectiveCodeOhms()
	}
	for _, o := range list.GetOutlooks() {
		p.Jobs = append(p.Jobs, job{Outlook: o, Due: casefile.DueOf(o), Next: casefile.NextStep(o), Spark: spark(o, limits[o.GetPlatform()]), Warning: newest[o.GetVehicle()]})
		delete(newest, o.GetVehicle())
	}
	p.Total, p.Fleet = list.GetTotalSize(), 0
	for _, c := range p.Counts {
		p.Fleet += c.Count
	}
	if list.GetNextPageToken() != "" {
		p.NextPage = p.Choice.address(list.GetNextPageToken())
	}
	if p.Choice.Token != "" || p.Choice.Narrowed() {
		return
	}
	for _, w := range standing {
		seen := w.GetKind() == creepagev1.Warning_SUDDEN_DROP || w.GetKind() == creepagev1.Warning_UNDER_SERVICE_LIMIT
		if seen && newest[w.GetVehicle()] == w && w.GetAcknowledgeTime() == nil {
			p.Other = append(p.Other, w)
			p.Unsettled = slices.DeleteFunc(p.Unsettled, func(o *creepagev1.Outlook) bool { return o.GetVehicle() == w.GetVehicle() })
		}
	}
}

// spark draws the lowest of an outlook's recent readings of each day, which come
// oldest first: the leak is where a visit read least.
func spark(o *creepagev1.Outlook, limit float64) template.HTML {
	recent := o.GetRecentReadings()
	levels := make([]float64, len(recent))
	for i, r := range recent {
		levels[i] = math.Log10(max(r.GetResistanceOhms(), 1))
	}
	top := make([]bool, len(recent))
	if o.LimitingComponent == nil { // a monitor's, where no component is named
		top = trend.AtCeiling(levels)
	}
	var points []draw.SparkPoint
	for i, r := range recent {
		p := draw.SparkPoint{At: r.GetMeasureTime().AsTime(), Ohms: r.GetResistanceOhms(), Over: top[i] || r.GetRelation() == creepagev1.Reading_ABOVE}
		last := len(points) - 1
		switch {
		case last < 0 || p.At.UTC().Truncate(24*time.Hour) != points[last].At.UTC().Truncate(24*time.Hour):
			points = append(points, p)
		case p.Ohms < points[last].Ohms || p.Ohms == points[last].Ohms && !p.Over:
			points[last] = p
		}
	}
	if len(points) == 0 {
		return ""
	}
	said := func(p draw.SparkPoint) string {
		if p.Over {
			return insulation.FormatResistance(insulation.Above, p.Ohms)
		}
		return insulation.FormatOhms(p.Ohms)
	}
	title := fmt.Sprintf("The lowest reading of each of %d days, from %s to %s", len(points), said(points[0]), said(points[len(points)-1]))
	return template.HTML(draw.Spark(title, points, limit))
}

func components() []string {
	var words []string
	for c := creepagev1.Reading_BATTERY; c <= creepagev1.Reading_SYSTEM; c++ {
		words = append(words, strings.ToLower(c.String()))
	}
	return words
}
