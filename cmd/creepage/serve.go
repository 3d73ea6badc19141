package main

import (
	"github.com/spf13/cobra"

	"creepage/internal/app"
)

func serveCommand() *cobra.Command {
	var (
		log        logFlags
		remote     remoteFlags
		hooks      webhookFlags
		front      serverFlags
		http, grpc string
	)
	c := &cobra.Command{
		Use:   "serve",
		Short: "Answer callers: the API, against your PostgreSQL and NATS",
		Long: `Serves gRPC and REST. Any number of these may run beside each other.

Environment: CREEPAGE_DATABASE_URL (the API's login), CREEPAGE_NATS_URL, and
CREEPAGE_NATS_CREDENTIALS (a file) where NATS wants one, and CREEPAGE_SECRET_KEY, the
same for serve and work, for webhooks. Each of the addresses and the key may be given
as NAME_FILE with the path of a file that holds it. GOMEMLIMIT and GOGC bound the
program's memory; without them it holds against growth from a quarter of the machine's.

` + destinationsText,
		Example: "  CREEPAGE_DATABASE_URL_FILE=/run/secrets/serve_url CREEPAGE_NATS_URL=nats://nats:4222 creepage serve --http :8080 --grpc :9090",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			common, err := log.common(cmd)
			if err != nil {
				return err
			}
			where, err := remote.remote()
			if err != nil {
				return err
			}
			config, err := front.config()
			if err != nil {
				return err
			}
			webhooks, err := hooks.config()
			if err != nil {
				return err
			}
			places, err := setting("CREEPAGE_REPORT_DESTINATIONS")
			if err != nil {
				return err
			}
			return app.Serve(cmd.Context(), app.ServeConfig{Destinations: places, Webhooks: webhooks, Common: common, Remote: where, HTTP: http, GRPC: grpc, Server: config, Board: front.board})
		},
	}
	f := c.Flags()
	f.StringVar(&http, "http", "127.0.0.1:8080", "address for REST, health and metrics")
	f.StringVar(&grpc, "grpc", "127.0.0.1:9090", "address for gRPC")
	log.add(f)
	remote.add(f)
	hooks.add(f)
	front.add(f)
	return c
}
