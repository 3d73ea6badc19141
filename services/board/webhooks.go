package board

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	creepagev1 "creepage/api/creepage/v1"
)

// deliveriesShown is how many of an address's messages its page lists.
const deliveriesShown = 50

type webhooksPage struct {
	Endpoints []*creepagev1.WebhookEndpoint
	Secret    string // of an endpoint just made; shown once
	Made      *creepagev1.WebhookEndpoint
	Wrong     mistakes
	Form      url.Values // as it was typed
	Events    []string
}

// Told says whether the form names an event.
func (p *webhooksPage) Told(event string) bool { return slices.Contains(p.Form["event"], event) }

var webhookEvents = []string{"raised", "changed", "ended"}

func invalid(err error) bool { return status.Code(err) == codes.InvalidArgument }

func (b *Board) showWebhooks(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.webhooksPage(w, r, v, http.StatusOK, &webhooksPage{})
}

func (b *Board) webhooksPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p *webhooksPage) {
	res, err := b.webhooks.ListWebhookEndpoints(r.Context(), &creepagev1.ListWebhookEndpointsRequest{PageSize: 1000})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Endpoints, p.Events = res.GetWebhookEndpoints(), webhookEvents
	if p.Form == nil {
		p.Form = url.Values{"event": webhookEvents}
	}
	b.render(w, r, code, "webhooks", "Webhooks", v, p)
}

// endpointOf reads the form of an address.
func endpointOf(r *http.Request) *creepagev1.WebhookEndpoint {
	e := &creepagev1.WebhookEndpoint{Title: strings.TrimSpace(r.PostFormValue("title")), Url: strings.TrimSpace(r.PostFormValue("url")), Filter: strings.TrimSpace(r.PostFormValue("filter"))}
	for _, event := range r.PostForm["event"] {
		e.Events = append(e.Events, creepagev1.WarningChange_Event(creepagev1.WarningChange_Event_value[strings.ToUpper(event)]))
	}
	return e
}

func (b *Board) createWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.webhooks.CreateWebhookEndpoint(r.Context(), &creepagev1.CreateWebhookEndpointRequest{Endpoint: endpointOf(r)})
	if invalid(err) {
		b.webhooksPage(w, r, v, http.StatusBadRequest, &webhooksPage{Wrong: mistakesOf(err, "Nothing was added."), Form: r.PostForm})
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.webhooksPage(w, r, v, http.StatusOK, &webhooksPage{Secret: res.GetSecret(), Made: res.GetEndpoint()})
}

// webhookPage is one address with what was sent to it.
type webhookPage struct {
	Endpoint   *creepagev1.WebhookEndpoint
	Deliveries []*creepagev1.WebhookDelivery
	NextPage   string
	Only       string // of the deliveries: failed, pending, delivered
	Secret     string // made anew; shown once
	Wrong      mistakes
	Form       *creepagev1.WebhookEndpoint // as it was typed, or as it stands
	Events     []string
	Failed     bool // some were given up
	Waiting    bool // a test is on its way
}

// Told says whether the address is told of an event.
func (p *webhookPage) Told(event string) bool {
	return slices.ContainsFunc(p.Form.GetEvents(), func(e creepagev1.WarningChange_Event) bool { return strings.EqualFold(e.String(), event) })
}

func endpointName(r *http.Request) string { return "webhookEndpoints/" + r.PathValue("endpoint") }

func (b *Board) showWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.webhookPage(w, r, v, http.StatusOK, &webhookPage{})
}

func (b *Board) webhookPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p *webhookPage) {
	var err error
	if p.Endpoint, err = b.webhooks.GetWebhookEndpoint(r.Context(), &creepagev1.GetWebhookEndpointRequest{Name: endpointName(r)}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	q := r.URL.Query()
	req := &creepagev1.ListWebhookDeliveriesRequest{Parent: endpointName(r), PageSize: deliveriesShown, PageToken: q.Get("page")}
	if p.Only = q.Get("only"); slices.Contains([]string{"failed", "pending", "delivered"}, p.Only) {
		req.Filter = "status = " + strings.ToUpper(p.Only)
	}
	res, err := b.webhooks.ListWebhookDeliveries(r.Context(), req)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Deliveries, p.Events = res.GetDeliveries(), webhookEvents
	if p.Form == nil {
		p.Form = p.Endpoint
	}
	for _, d := range p.Deliveries {
		p.Failed = p.Failed || d.GetStatus() == creepagev1.WebhookDelivery_FAILED
		p.Waiting = p.Waiting || d.GetStatus() == creepagev1.WebhookDelivery_PENDING && d.GetAttempts() == 0
	}
	if token := res.GetNextPageToken(); token != "" {
		p.NextPage = "?" + url.Values{"only": {p.Only}, "page": {token}}.Encode()
	}
	if p.Waiting && p.Secret == "" && r.Method == http.MethodGet {
		w.Header().Set("Refresh", "2") // what became of it, without any script
	}
	b.render(w, r, code, "webhook", "Webhook", v, p)
}

// changeWebhook runs one change of an address and shows what became of it.
func (b *Board) changeWebhook(w http.ResponseWriter, r *http.Request, v *visitor, err error, what string) {
	if invalid(err) || status.Code(err) == codes.FailedPrecondition {
		p := &webhookPage{Wrong: mistakesOf(err, "Nothing was changed.")}
		if what == "webhook-changed" {
			p.Form = endpointOf(r)
		}
		b.webhookPage(w, r, v, http.StatusBadRequest, p)
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/webhooks/"+url.PathEscape(r.PathValue("endpoint"))+"?done="+what, http.StatusSeeOther)
}

func (b *Board) updateWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	e := endpointOf(r)
	e.Name = endpointName(r)
	_, err := b.webhooks.UpdateWebhookEndpoint(r.Context(), &creepagev1.UpdateWebhookEndpointRequest{Endpoint: e, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"title", "url", "filter", "events"}}})
	b.changeWebhook(w, r, v, err, "webhook-changed")
}

func (b *Board) switchWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	off := r.PostFormValue("to") == "off"
	_, err := b.webhooks.UpdateWebhookEndpoint(r.Context(), &creepagev1.UpdateWebhookEndpointRequest{Endpoint: &creepagev1.WebhookEndpoint{Name: endpointName(r), Disabled: off}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"disabled"}}})
	b.changeWebhook(w, r, v, err, map[bool]string{true: "webhook-off", false: "webhook-on"}[off])
}

func (b *Board) testWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	_, err := b.webhooks.TestWebhookEndpoint(r.Context(), &creepagev1.TestWebhookEndpointRequest{Name: endpointName(r)})
	b.changeWebhook(w, r, v, err, "webhook-test")
}

func (b *Board) replayWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.webhooks.ReplayWebhookDeliveries(r.Context(), &creepagev1.ReplayWebhookDeliveriesRequest{Name: endpointName(r)})
	b.changeWebhook(w, r, v, err, map[bool]string{true: "webhook-again", false: "webhook-nothing"}[res.GetCount() > 0])
}

func (b *Board) rotateWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.webhooks.RotateWebhookSecret(r.Context(), &creepagev1.RotateWebhookSecretRequest{Name: endpointName(r)})
	if err != nil {
		b.changeWebhook(w, r, v, err, "")
		return
	}
	b.webhookPage(w, r, v, http.StatusOK, &webhookPage{Secret: res.GetSecret()})
}

func (b *Board) deleteWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	if _, err := b.webhooks.DeleteWebhookEndpoint(r.Context(), &creepagev1.DeleteWebhookEndpointRequest{Name: endpointName(r)}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/webhooks?done=webhook", http.StatusSeeOther)
}
