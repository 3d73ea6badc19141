package board

import (
	"cmp"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
)

// borneFalseCalls is one of the ways in which an organisation may want to be
// warned.
type borneFalseCalls struct {
	Word, Means string
}

type policyPage struct {
	Policy  *creepagev1.WarningPolicy
	Choices []borneFalseCalls
	Lead    string // as it was typed
	Borne   string
	Wrong   mistakes
	History []change
}

// change is an entry of the audit with who made it.
type change struct {
	*creepagev1.AuditEntry
	By string
}

func (b *Board) showPolicy(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.policyPage(w, r, v, http.StatusOK, policyPage{})
}

func (b *Board) policyPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p policyPage) {
	var err error
	if p.Policy, err = b.warnings.GetWarningPolicy(r.Context(), &creepagev1.GetWarningPolicyRequest{}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if !p.Wrong.Any() {
		p.Lead, p.Borne = strconv.Itoa(int(p.Policy.GetLeadDays())), strings.ToLower(p.Policy.GetFalseCalls().String())
	}
	p.Choices = falseCallChoices
	if v.May("administer") {
		all, err := b.audit(r)
		if err != nil {
			b.failWith(w, r, v, err)
			return
		}
		for _, e := range all {
			if e.GetAction() == "SetWarningPolicy" {
				p.History = append(p.History, e)
			}
		}
	}
	b.render(w, r, code, "policy", "When to warn", v, p)
}

// auditShown is how many of the newest changes the pages look through.
const auditShown = 1000

// audit lists who changed what, newest first.
func (b *Board) audit(r *http.Request) ([]change, error) {
	res, err := b.access.ListAuditEntries(r.Context(), &creepagev1.ListAuditEntriesRequest{PageSize: auditShown})
	if err != nil {
		return nil, err
	}
	keys, err := b.access.ListKeys(r.Context(), &creepagev1.ListKeysRequest{PageSize: 1000})
	if err != nil {
		return nil, err
	}
	titles := map[string]string{}
	for _, k := range keys.GetKeys() {
		titles[k.GetName()] = k.GetTitle()
	}
	list := make([]change, len(res.GetAuditEntries()))
	for i, e := range res.GetAuditEntries() {
		list[i] = change{e, "the service"}
		if e.Key != nil {
			list[i].By = cmp.Or(titles[e.GetKey()], id(e.GetKey()))
		}
	}
	return list, nil
}

func (b *Board) setPolicy(w http.ResponseWriter, r *http.Request, v *visitor) {
	lead, borne := strings.TrimSpace(r.PostFormValue("lead")), r.PostFormValue("false_calls")
	days, err := strconv.Atoi(lead)
	if err == nil {
		_, err = b.warnings.SetWarningPolicy(r.Context(), &creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: int32(max(-1, min(days, 100_000))),
			FalseCalls: creepagev1.WarningPolicy_FalseCalls(creepagev1.WarningPolicy_FalseCalls_value[strings.ToUpper(borne)])}})
		if err == nil {
			http.Redirect(w, r, "/policy?done=policy", http.StatusSeeOther)
			return
		}
		if invalid(err) {
			b.policyPage(w, r, v, http.StatusBadRequest, policyPage{Lead: lead, Borne: borne, Wrong: mistakesOf(err, "A lead time is 14 to 365 days, and one of the three is chosen. Nothing was changed.")})
			return
		}
		b.failWith(w, r, v, err)
		return
	}
	b.policyPage(w, r, v, http.StatusBadRequest, policyPage{Lead: lead, Borne: borne, Wrong: oneMistake("policy.lead_days", fmt.Sprintf("%q is no number of days; want 14 to 365", lead), "Nothing was changed.")})
}

// falseCallChoices are the three.
var falseCallChoices = []borneFalseCalls{
	{"few", "warn when it is rather sure; some codes come unannounced"},
	{"usual", "the balance that is usual here"},
	{"many", "warn early; more codes are met, and more bays are taken for nothing"},
}
