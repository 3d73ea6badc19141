package board

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

type meterRow struct {
	*creepagev1.Meter
	Last    *creepagev1.Calibration
	Overdue bool
}

type shopRow struct {
	*creepagev1.Shop
	Need, Vehicles int32
}

type shopsPage struct {
	Shops  []shopRow
	Meters []meterRow
	Today  string
}

// shopsShown bounds the shops whose vehicles are counted: one call each.
const shopsShown = 100

func (b *Board) showShops(w http.ResponseWriter, r *http.Request, v *visitor) {
	var p shopsPage
	p.Today = b.now().UTC().Format("2006-01-02")
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() error {
		res, err := b.access.ListShops(ctx, &creepagev1.ListShopsRequest{PageSize: shopsShown})
		for _, s := range res.GetShops() {
			p.Shops = append(p.Shops, shopRow{Shop: s})
		}
		return err
	})
	g.Go(func() error {
		res, err := b.access.ListMeters(ctx, &creepagev1.ListMetersRequest{PageSize: 1000})
		for _, m := range res.GetMeters() {
			row := meterRow{Meter: m}
			if c := m.GetCalibrations(); len(c) > 0 {
				row.Last = c[0]
				row.Overdue = c[0].GetDueTime() != nil && c[0].GetDueTime().AsTime().Before(b.now())
			}
			p.Meters = append(p.Meters, row)
		}
		return err
	})
	err := g.Wait()
	if err == nil && v.May("read") {
		err = b.countShops(r, p.Shops)
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.render(w, r, http.StatusOK, "shops", "Shops and meters", v, p)
}

func (b *Board) countShops(r *http.Request, shops []shopRow) error {
	g, ctx := errgroup.WithContext(r.Context())
	g.SetLimit(8)
	for i := range shops {
		g.Go(func() error {
			all, err := b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: 1, Filter: choice{Shop: id(shops[i].GetName())}.filter(nil)})
			if err != nil {
				return err
			}
			need, err := b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: 1, Filter: choice{Shop: id(shops[i].GetName())}.filter(needStates)})
			shops[i].Vehicles, shops[i].Need = all.GetTotalSize(), need.GetTotalSize()
			return err
		})
	}
	return g.Wait()
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

func (b *Board) showFleet(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.platforms.ListPlatforms(r.Context(), &creepagev1.ListPlatformsRequest{PageSize: 200})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	rows := make([]platformRow, len(res.GetPlatforms()))
	g, ctx := errgroup.WithContext(r.Context())
	g.SetLimit(8)
	for i, p := range res.GetPlatforms() {
		rows[i] = platformRow{Platform: p, Counts: make([]stateCount, len(allStates))}
		for j, s := range allStates {
			g.Go(func() error {
				c := choice{Platform: id(p.GetName())}
				one, err := b.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{PageSize: 1, Filter: c.filter([]string{s})})
				rows[i].Counts[j] = stateCount{State: s, Count: one.GetTotalSize(), Address: c.address("", s)}
				return err
			})
		}
	}
	if err := g.Wait(); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	for i := range rows {
		for _, c := range rows[i].Counts {
			rows[i].Total += c.Count
		}
	}
	b.render(w, r, http.StatusOK, "fleet", "Fleet", v, map[string]any{"Platforms": rows, "States": allStates})
}

type keysPage struct {
	Keys   []*creepagev1.Key
	Shops  []*creepagev1.Shop
	Roles  []string
	Secret string // of a key just made; shown once
	Made   *creepagev1.Key
}

func (b *Board) showKeys(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.keysPage(w, r, v, keysPage{})
}

func (b *Board) keysPage(w http.ResponseWriter, r *http.Request, v *visitor, p keysPage) {
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
	b.render(w, r, http.StatusOK, "keys", "Keys", v, p)
}

func (b *Board) createKey(w http.ResponseWriter, r *http.Request, v *visitor) {
	key := &creepagev1.Key{Title: strings.TrimSpace(r.PostFormValue("title")), Role: creepagev1.Key_Role(creepagev1.Key_Role_value[strings.ToUpper(r.PostFormValue("role"))])}
	if shop := r.PostFormValue("shop"); shop != "" && key.Role == creepagev1.Key_SHOP {
		name := "shops/" + shop
		key.Shop = &name
	}
	res, err := b.access.CreateKey(r.Context(), &creepagev1.CreateKeyRequest{Key: key})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.keysPage(w, r, v, keysPage{Secret: res.GetSecret(), Made: res.GetKey()})
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
	Chances []chanceWord
}

// showHelp needs no key: it says nothing about anybody.
func (b *Board) showHelp(w http.ResponseWriter, r *http.Request) {
	b.render(w, r, http.StatusOK, "help", "Help", b.visitorOf(r), helpPage{States: slices.Clone(allStates), Chances: chances})
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
