package app

import (
	"context"
	"fmt"

	"github.com/nats-io/nats.go"

	"creepage/internal/store"
	"creepage/internal/stream"
)

// connect opens the database and the stream that several processes share. The
// database's login is that of the part; which of the two it is, the part knows.
func (p *Process) connect(ctx context.Context, r Remote) (*shared, error) {
	options := []nats.Option{nats.Name("creepage"), nats.MaxReconnects(-1), nats.RetryOnFailedConnect(false)}
	if r.NATSCredentials != "" {
		options = append(options, nats.UserCredentials(r.NATSCredentials))
	}
	conn, err := nats.Connect(r.NATSURL, options...)
	if err != nil {
		return nil, fmt.Errorf("connect to NATS: %w", err)
	}
	p.stack.push("NATS connection", func(context.Context) error { conn.Close(); return nil })
	streams, err := stream.Open(ctx, conn, r.Stream)
	if err != nil {
		return nil, err
	}
	db, err := p.open(ctx, r.DatabaseURL)
	if err != nil {
		return nil, err
	}
	return &shared{api: db, worker: db, stream: streams}, nil
}

func (p *Process) open(ctx context.Context, url string) (*store.Store, error) {
	db, err := store.New(ctx, url, store.Options{})
	if err != nil {
		return nil, err
	}
	p.stack.push("database connections", func(context.Context) error { db.Close(); return nil })
	return db, nil
}
