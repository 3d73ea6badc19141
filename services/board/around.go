package board

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
)

type meterRow struct {
	*creepagev1.Meter
	Last    *creepagev1.Calibration
	Overdue bool
	Review  *creepagev1.MeterReview // nil: no reading within the time reviewed
}

type shopRow struct {
	*creepagev1.Shop
	Need, Vehicles int32
	Review         *creepagev1.ShopReview // nil: no reading within the time reviewed
}

type shopsPage struct {
	Shops  []shopRow
	Meters []meterRow
	Since  *timestamppb.Timestamp // from when readings are reviewed; nil: the key may not see that, or it is being made
	Making [2]bool                // the review of shops, of meters: is being made
	Today  string
}

// reviewWithin is how long a page waits for a review of the whole fleet. It goes on
// being made, and the page loads itself anew.
const reviewWithin = 600 * time.Millisecond

// reviewed asks for a review; making says that there is none yet.
func reviewed[Req, Res any](ctx context.Context, making *bool, ask func(context.Context, *Req, ...grpc.CallOption) (*Res, error), req *Req) (*Res, error) {
	ctx, cancel := context.WithTimeout(ctx, reviewWithin)
	defer cancel()
	res, err := ask(ctx, req)
	if *making = status.Code(err) == codes.DeadlineExceeded; *making {
		return nil, nil
	}
	return res, err
}

// showShops asks for all of it at once, whatever the number of shops.
func (b *Board) showShops(w http.ResponseWriter, r *http.Request, v *visitor) {
	var (
		p       shopsPage
		shops   *creepagev1.ListShopsResponse
		meters  *creepagev1.ListMetersResponse
		counts  *creepagev1.CountOutlooksResponse
		habits  *creepagev1.ReviewShopsResponse
		offsets *creepagev1.ReviewMetersResponse
	)
	p.Today = b.now().UTC().Format("2006-01-02")
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		shops, err = b.access.ListShops(ctx, &creepagev1.ListShopsRequest{PageSize: 1000})
		return err
	})
	g.Go(func() (err error) {
		meters, err = b.access.ListMeters(ctx, &creepagev1.ListMetersRequest{PageSize: 1000})
		return err
	})
	if v.May("read") {
		g.Go(func() (err error) {
			counts, err = b.fleet.CountOutlooks(ctx, &creepagev1.CountOutlooksRequest{GroupBy: "last_shop"})
			return err
		})
		g.Go(func() (err error) {
			habits, err = reviewed(ctx, &p.Making[0], b.review.ReviewShops, &creepagev1.ReviewShopsRequest{})
			return err
		})
		g.Go(func() (err error) {
			offsets, err = reviewed(ctx, &p.Making[1], b.review.ReviewMeters, &creepagev1.ReviewMetersRequest{})
			return err
		})
	}
	if err := g.Wait(); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if p.Making[0] || p.Making[1] {
		w.Header().Set("Refresh", "2") // what is being made, without any script
		habits, offsets = nil, nil     // the tables belong together
	}
	p.Since = habits.GetStartTime()
	p.Shops = shopRows(shops.GetShops(), counts.GetCounts(), habits.GetShops())
	p.Meters = b.meterRows(meters.GetMeters(), offsets.GetMeters())
	b.render(w, r, http.StatusOK, "shops", "Shops and meters", v, p)
}

func shopRows(shops []*creepagev1.Shop, counts []*creepagev1.OutlookCount, habits []*creepagev1.ShopReview) []shopRow {
	rows := make([]shopRow, len(shops))
	place := map[string]*shopRow{}
	for i, s := range shops {
		rows[i].Shop = s
		place[s.GetName()] = &rows[i]
	}
	for _, c := range counts {
		row := place[c.GetGroup()]
		if row == nil {
			continue
		}
		row.Vehicles += c.GetVehicles()
		if slices.Contains(needStates, string(casefile.StateOf(c.GetState()))) {
			row.Need += c.GetVehicles()
		}
	}
	for _, h := range habits {
		if row := place[h.GetShop()]; row != nil {
			row.Review = h
		}
	}
	return rows
}

// meterRows joins the meters that were stated with those that readings name.
func (b *Board) meterRows(meters []*creepagev1.Meter, offsets []*creepagev1.MeterReview) []meterRow {
	reviews := map[string]*creepagev1.MeterReview{}
	for _, o := range offsets {
		reviews[o.GetMeter()] = o
	}
	var rows []meterRow
	for _, m := range meters {
		row := meterRow{Meter: m, Review: reviews[m.GetName()]}
		delete(reviews, m.GetName())
		if c := m.GetCalibrations(); len(c) > 0 {
			row.Last = c[0]
			row.Overdue = c[0].GetDueTime() != nil && c[0].GetDueTime().AsTime().Before(b.now())
		}
		rows = append(rows, row)
	}
	for _, o := range offsets {
		if reviews[o.GetMeter()] != nil {
			rows = append(rows, meterRow{Meter: &creepagev1.Meter{Name: o.GetMeter()}, Review: o})
		}
	}
	return rows
}

func (b *Board) recordCalibration(w http.ResponseWriter, r *http.Request, v *visitor) {
	date := func(name string) *timestamppb.Timestamp {
		t, err := time.Parse("2006-01-02", r.PostFormValue(name))
		if err != nil {
			return nil
		}
		return timestamppb.New(t)
	}
	c := &creepagev1.Calibration{CalibrateTime: date("calibrated"), DueTime: date("due")}
	if note := strings.TrimSpace(r.PostFormValue("note")); note != "" {
		c.Note = &note
	}
	if c.CalibrateTime == nil {
		b.fail(w, r, v, http.StatusBadRequest, "The day of the calibration is missing.", "Go back and fill it in. Nothing was changed.")
		return
	}
	_, err := b.access.RecordCalibration(r.Context(), &creepagev1.RecordCalibrationRequest{Name: "meters/" + r.PathValue("meter"), Calibration: c})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/shops?done=calibration", http.StatusSeeOther)
}

type platformRow struct {
	*creepagev1.Platform
	Counts []stateCount
	Total  int32
}

// agingRow is a component of a platform with what to say of it.
type agingRow struct {
	*creepagev1.ComponentAging
	Title string        // of the platform
	Span  template.HTML // share of vehicles and its interval, drawn
}

type fleetPage struct {
	Platforms []platformRow
	States    []string
	Aging     bool       // there is something to say of components
	Aged      []agingRow // components that aged on a vehicle, those that stand out first
	Ageless   []agingRow // the others
	Since     *timestamppb.Timestamp
	StandOut  int
	Making    bool // what is said of components is being made
}

func (b *Board) showFleet(w http.ResponseWriter, r *http.Request, v *visitor) {
	var (
		platforms *creepagev1.ListPlatformsResponse
		counts    *creepagev1.CountOutlooksResponse
		aging     *creepagev1.ReviewAgingResponse
		making    bool
	)
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		platforms, err = b.platforms.ListPlatforms(ctx, &creepagev1.ListPlatformsRequest{PageSize: 1000})
		return err
	})
	g.Go(func() (err error) {
		counts, err = b.fleet.CountOutlooks(ctx, &creepagev1.CountOutlooksRequest{GroupBy: "platform"})
		return err
	})
	g.Go(func() (err error) {
		aging, err = reviewed(ctx, &making, b.review.ReviewAging, &creepagev1.ReviewAgingRequest{})
		return err
	})
	if err := g.Wait(); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if making {
		w.Header().Set("Refresh", "2") // what is being made, without any script
	}
	p := fleetPage{Making: making, States: allStates, Since: aging.GetStartTime(), Platforms: platformRows(platforms.GetPlatforms(), counts.GetCounts())}
	titles := map[string]string{}
	for _, q := range platforms.GetPlatforms() {
		titles[q.GetName()] = cmp.Or(q.GetTitle(), id(q.GetName()))
	}
	for _, c := range aging.GetComponents() {
		p.Aging = true
		if c.GetStandsOut() {
			p.StandOut++
		}
		row := agingRow{ComponentAging: c, Title: cmp.Or(titles[c.GetPlatform()], id(c.GetPlatform()))}
		elsewhere := -1.0
		if c.GetPeerVehicles() > 0 {
			elsewhere = float64(c.GetPeerAgedVehicles()) / float64(c.GetPeerVehicles())
		}
		row.Span = template.HTML(draw.ShareSpan(c.GetShareLow(), shareOf(c), c.GetShareHigh(), elsewhere))
		if c.GetAgedVehicles() > 0 || c.GetDecliningVehicles() > 0 {
			p.Aged = append(p.Aged, row)
		} else {
			p.Ageless = append(p.Ageless, row)
		}
	}
	slices.SortStableFunc(p.Aged, func(a, b agingRow) int {
		if a.GetStandsOut() != b.GetStandsOut() {
			if a.GetStandsOut() {
				return -1
			}
			return 1
		}
		return cmp.Compare(shareOf(b.ComponentAging), shareOf(a.ComponentAging))
	})
	b.render(w, r, http.StatusOK, "fleet", "Fleet", v, p)
}

func shareOf(c *creepagev1.ComponentAging) float64 {
	return float64(c.GetAgedVehicles()) / max(1, float64(c.GetVehicles()))
}

func platformRows(platforms []*creepagev1.Platform, counts []*creepagev1.OutlookCount) []platformRow {
	rows := make([]platformRow, len(platforms))
	place := map[string]*platformRow{}
	for i, p := range platforms {
		rows[i] = platformRow{Platform: p, Counts: make([]stateCount, len(allStates))}
		for j, s := range allStates {
			rows[i].Counts[j] = stateCount{State: s, Address: choice{Platform: id(p.GetName())}.address("", s)}
		}
		place[p.GetName()] = &rows[i]
	}
	for _, c := range counts {
		if row := place[c.GetGroup()]; row != nil {
			if j := slices.Index(allStates, string(casefile.StateOf(c.GetState()))); j >= 0 {
				row.Counts[j].Count += c.GetVehicles()
			}
			row.Total += c.GetVehicles()
		}
	}
	return rows
}

type keysPage struct {
	Keys   []*creepagev1.Key
	Shops  []*creepagev1.Shop
	Roles  []string
	Secret string // of a key just made; shown once
	Made   *creepagev1.Key

	Wrong mistakes
	Form  url.Values // as it was typed
	Today string
	Now   time.Time
}

func (b *Board) showKeys(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.keysPage(w, r, v, http.StatusOK, keysPage{})
}

func (b *Board) keysPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p keysPage) {
	p.Now = b.now()
	p.Today = p.Now.UTC().Format(time.DateOnly)
	p.Roles = []string{"shop", "feeder", "fleet", "analyst", "administrator"}
	if v.May("administer") {
		res, err := b.access.ListKeys(r.Context(), &creepagev1.ListKeysRequest{PageSize: 1000})
		if err != nil {
			b.failWith(w, r, v, err)
			return
		}
		shops, err := b.access.ListShops(r.Context(), &creepagev1.ListShopsRequest{PageSize: 1000})
		if err != nil {
			b.failWith(w, r, v, err)
			return
		}
		p.Keys, p.Shops = res.GetKeys(), shops.GetShops()
	}
	b.render(w, r, code, "keys", "Keys", v, p)
}

const noKey = "No key was made."

func (b *Board) createKey(w http.ResponseWriter, r *http.Request, v *visitor) {
	key := &creepagev1.Key{Title: strings.TrimSpace(r.PostFormValue("title")), Role: creepagev1.Key_Role(creepagev1.Key_Role_value[strings.ToUpper(r.PostFormValue("role"))])}
	if shop := r.PostFormValue("shop"); shop != "" && key.Role == creepagev1.Key_SHOP {
		name := "shops/" + shop
		key.Shop = &name
	}
	if until := r.PostFormValue("until"); until != "" {
		day, err := time.Parse(time.DateOnly, until)
		if err != nil {
			b.keysPage(w, r, v, http.StatusBadRequest, keysPage{Wrong: oneMistake("key.expire_time", fmt.Sprintf("%q is no day; want one such as 2026-03-02", until), noKey), Form: r.PostForm})
			return
		}
		key.ExpireTime = timestamppb.New(day.AddDate(0, 0, 1))
	}
	res, err := b.access.CreateKey(r.Context(), &creepagev1.CreateKeyRequest{Key: key})
	if taken(err) {
		b.keysPage(w, r, v, http.StatusBadRequest, keysPage{Wrong: mistakesOf(err, noKey), Form: r.PostForm})
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.keysPage(w, r, v, http.StatusOK, keysPage{Secret: res.GetSecret(), Made: res.GetKey()})
}

func (b *Board) revokeKey(w http.ResponseWriter, r *http.Request, v *visitor) {
	if _, err := b.access.RevokeKey(r.Context(), &creepagev1.RevokeKeyRequest{Name: "keys/" + r.PathValue("key")}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/keys?done=revoked", http.StatusSeeOther)
}

type helpPage struct {
	States  []string
	Chances []casefile.ChanceWord
}

// showHelp needs no key: it says nothing about anybody.
func (b *Board) showHelp(w http.ResponseWriter, r *http.Request) {
	b.render(w, r, http.StatusOK, "help", "Help", b.visitorOf(r), helpPage{States: slices.Clone(allStates), Chances: casefile.Chances()})
}

// visitorOf returns who is signed in on a page that needs nobody to be.
func (b *Board) visitorOf(r *http.Request) *visitor {
	s, err := b.sessions.of(r, b.now())
	if err != nil || s == nil {
		return nil
	}
	caller, err := b.access.GetCaller(withKey(r.Context(), s.key), &creepagev1.GetCallerRequest{})
	if err != nil {
		return nil
	}
	return &visitor{Caller: caller, Token: s.token, session: s}
}
