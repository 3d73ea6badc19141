package app

import "creepage/internal/webhook"

// WebhookConfig is what is told of webhooks; servers and workers are told the same.
type WebhookConfig struct {
	// SecretKey is the secret under which signing secrets are kept, 24 characters
	// or more; empty: there are no webhooks.
	SecretKey string
	// Inside lets endpoints be at private, loopback and link-local addresses,
	// and at http ones.
	Inside bool
}

func (c WebhookConfig) policy() webhook.Policy {
	return webhook.Policy{Inside: c.Inside, PlainHTTP: c.Inside}
}

func (c WebhookConfig) safe() (*webhook.Safe, error) {
	if c.SecretKey == "" {
		return nil, nil
	}
	return webhook.NewSafe([]byte(c.SecretKey))
}
