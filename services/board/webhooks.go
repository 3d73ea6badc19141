package board

import (
	"net/http"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
)

type webhooksPage struct {
	Endpoints []*creepagev1.WebhookEndpoint
	Secret    string // of an endpoint just made; shown once
	Made      *creepagev1.WebhookEndpoint
	Tested    *creepagev1.WebhookDelivery // what became of a test message
}

func (b *Board) showWebhooks(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.webhooksPage(w, r, v, webhooksPage{})
}

func (b *Board) webhooksPage(w http.ResponseWriter, r *http.Request, v *visitor, p webhooksPage) {
	res, err := b.webhooks.ListWebhookEndpoints(r.Context(), &creepagev1.ListWebhookEndpointsRequest{PageSize: 1000})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Endpoints = res.GetWebhookEndpoints()
	b.render(w, r, http.StatusOK, "webhooks", "Webhooks", v, p)
}

func (b *Board) createWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.webhooks.CreateWebhookEndpoint(r.Context(), &creepagev1.CreateWebhookEndpointRequest{Endpoint: &creepagev1.WebhookEndpoint{
		Title: strings.TrimSpace(r.PostFormValue("title")), Url: strings.TrimSpace(r.PostFormValue("url")), Filter: strings.TrimSpace(r.PostFormValue("filter"))}})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.webhooksPage(w, r, v, webhooksPage{Secret: res.GetSecret(), Made: res.GetEndpoint()})
}

func (b *Board) testWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	res, err := b.webhooks.TestWebhookEndpoint(r.Context(), &creepagev1.TestWebhookEndpointRequest{Name: "webhookEndpoints/" + r.PathValue("endpoint")})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.webhooksPage(w, r, v, webhooksPage{Tested: res})
}

func (b *Board) deleteWebhook(w http.ResponseWriter, r *http.Request, v *visitor) {
	if _, err := b.webhooks.DeleteWebhookEndpoint(r.Context(), &creepagev1.DeleteWebhookEndpointRequest{Name: "webhookEndpoints/" + r.PathValue("endpoint")}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/webhooks?done=webhook", http.StatusSeeOther)
}
