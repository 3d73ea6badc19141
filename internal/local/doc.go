// Package local is the embedded default: a private PostgreSQL server and an
// in-process NATS server with JetStream, both under one folder, so that the
// service runs on a machine on which nothing is running.
package local
