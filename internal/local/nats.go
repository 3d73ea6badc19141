package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// NATSConfig says where the in-process NATS server keeps its streams and
// whether it can be reached from outside the process.
type NATSConfig struct {
	// Dir holds the streams' files.
	Dir string
	// Listen asks for a TCP listener on the loopback address, at Port or, if
	// that is 0, at a free one. Without it only this process can connect.
	Listen bool
	Port   int
	// MaxFileBytes bounds what JetStream may store; 0 means 64 GiB.
	MaxFileBytes int64
	// MaxPayloadBytes bounds a message; 0 means 4 MiB.
	MaxPayloadBytes int32
}

// NATS is an in-process NATS server with JetStream on disk.
type NATS struct {
	server *server.Server
}

// StartNATS starts a server and returns when it takes connections. Every
// stored message is synced to disk before it is acknowledged.
func StartNATS(config NATSConfig) (*NATS, error) {
	if err := os.MkdirAll(config.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("prepare %s: %w", config.Dir, err)
	}
	options := &server.Options{
		ServerName:         "creepage-local",
		DontListen:         !config.Listen,
		Host:               "127.0.0.1",
		Port:               server.RANDOM_PORT,
		NoSigs:             true, // signals are main's
		NoLog:              true,
		JetStream:          true,
		StoreDir:           config.Dir,
		SyncAlways:         true, // acknowledged means on disk
		JetStreamMaxMemory: 64 << 20,
		JetStreamMaxStore:  64 << 30,
		MaxPayload:         4 << 20,
	}
	if config.Port != 0 {
		options.Port = config.Port
	}
	if config.MaxFileBytes > 0 {
		options.JetStreamMaxStore = config.MaxFileBytes
	}
	if config.MaxPayloadBytes > 0 {
		options.MaxPayload = config.MaxPayloadBytes
	}
	s, err := server.NewServer(options)
	if err != nil {
		return nil, fmt.Errorf("set up the NATS server in %s: %w", config.Dir, err)
	}
	go s.Start()
	const startTimeout = 30 * time.Second // it reads back what it has stored
	if !s.ReadyForConnections(startTimeout) {
		s.Shutdown()
		return nil, fmt.Errorf("the NATS server in %s is not ready after %s", config.Dir, startTimeout)
	}
	return &NATS{server: s}, nil
}

// Connect opens a connection inside the process.
func (n *NATS) Connect(options ...nats.Option) (*nats.Conn, error) {
	conn, err := nats.Connect("", append([]nats.Option{nats.InProcessServer(n.server), nats.Name("creepage")}, options...)...)
	if err != nil {
		return nil, fmt.Errorf("connect to the in-process NATS server: %w", err)
	}
	return conn, nil
}

// URL returns the address of the TCP listener; empty without one.
func (n *NATS) URL() string {
	if n.server.Addr() == nil {
		return ""
	}
	return n.server.ClientURL()
}

// SyncsAlways says whether the running server syncs every message before it
// acknowledges it, as the server itself reports.
func (n *NATS) SyncsAlways() (bool, error) {
	report, err := n.server.Jsz(&server.JSzOptions{Config: true})
	if err != nil {
		return false, fmt.Errorf("ask the NATS server for its settings: %w", err)
	}
	return report.Config.SyncAlways, nil
}

// Stop ends the server in an orderly way and waits for it.
func (n *NATS) Stop(ctx context.Context) error {
	n.server.Shutdown()
	done := make(chan struct{})
	go func() {
		defer close(done)
		n.server.WaitForShutdown()
	}()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return errors.Join(errors.New("the NATS server does not stop"), ctx.Err())
	}
}
