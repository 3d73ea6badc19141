package app

import (
	"log/slog"
	"time"

	"creepage/internal/server"
	"creepage/internal/stream"
)

// Common is what every part is told.
type Common struct {
	Log   *slog.Logger
	Clock func() time.Time
}

// Remote says where the database and the stream are that several processes share.
type Remote struct {
	DatabaseURL     string // of the login of the part: api or worker
	NATSURL         string
	NATSCredentials string // file; empty: none
	Stream          stream.Settings
}

// BoardConfig is what the board is told.
type BoardConfig struct {
	// SecureCookies says that browsers come by https although this process does
	// not end TLS; with TLS here they do anyway.
	SecureCookies bool
	// TrustForwardedProto takes the word of X-Forwarded-Proto for it, which only
	// a proxy in front may set.
	TrustForwardedProto bool
}

// ServeConfig is what `serve` is told.
type ServeConfig struct {
	Common
	Remote
	HTTP, GRPC string // addresses to listen on; port 0 for a free one
	Server     server.Config
	Board      BoardConfig
	Webhooks   WebhookConfig
	// Destinations are where reports made ahead go, as destination.Read reads them.
	Destinations string
}

// WorkConfig is what `work` is told.
type WorkConfig struct {
	Common
	Remote
	HTTP     string // address for health and metrics; empty: none
	Webhooks WebhookConfig
	Mail     MailConfig
	// Destinations are where reports made ahead go, as destination.Read reads them.
	Destinations string
}

// MigrateConfig is what `migrate` is told.
type MigrateConfig struct {
	DatabaseURL string // of the schema's owner
	Log         *slog.Logger
}

// UpConfig is what `up` is told.
type UpConfig struct {
	Common
	Data       string // folder of everything
	HTTP, GRPC string // addresses to listen on; port 0 for a free one
	Server     server.Config
	Board      BoardConfig
	// WebhooksInside lets webhooks lead to private, loopback and http addresses.
	WebhooksInside bool
	Mail           MailConfig
	// Destinations are where reports made ahead go, as destination.Read reads
	// them; empty: a folder of its own in Data.
	Destinations string
}

// stopTimeout bounds an orderly end of all parts together; what has not ended
// by then is ended by force.
const stopTimeout = 90 * time.Second
