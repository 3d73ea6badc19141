package board

import (
	"net/http"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
)

// changesShown is how many of the newest changes the organisation's page lists.
const changesShown = 50

type organisationPage struct {
	Shops   []*creepagev1.Shop
	Changes []change
	Wrong   mistakes
	ShopID  string // as it was typed
	Title   string
}

func (b *Board) showOrganisation(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.organisationPage(w, r, v, http.StatusOK, organisationPage{})
}

func (b *Board) organisationPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p organisationPage) {
	if v.May("read") {
		res, err := b.access.ListShops(r.Context(), &creepagev1.ListShopsRequest{PageSize: 1000})
		if err != nil {
			b.failWith(w, r, v, err)
			return
		}
		p.Shops = res.GetShops()
	}
	if v.May("administer") {
		var err error
		if p.Changes, err = b.audit(r); err != nil {
			b.failWith(w, r, v, err)
			return
		}
		p.Changes = p.Changes[:min(changesShown, len(p.Changes))]
	}
	b.render(w, r, code, "organisation", "Organisation", v, p)
}

func (b *Board) createShop(w http.ResponseWriter, r *http.Request, v *visitor) {
	p := organisationPage{ShopID: strings.TrimSpace(r.PostFormValue("shop")), Title: strings.TrimSpace(r.PostFormValue("title"))}
	_, err := b.access.CreateShop(r.Context(), &creepagev1.CreateShopRequest{ShopId: p.ShopID, Shop: &creepagev1.Shop{Title: p.Title}})
	if taken(err) {
		p.Wrong = mistakesOf(err, "Nothing was changed.")
		b.organisationPage(w, r, v, http.StatusBadRequest, p)
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/organisation?done=shop", http.StatusSeeOther)
}

// actionText writes what was done as people say it: CreateKey is "create key".
func actionText(action string) string {
	var out strings.Builder
	for i, c := range action {
		if i > 0 && c >= 'A' && c <= 'Z' {
			out.WriteByte(' ')
		}
		out.WriteRune(c)
	}
	return strings.ToLower(out.String())
}
