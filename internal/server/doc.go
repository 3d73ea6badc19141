// Package server is the way in: one gRPC server behind one interceptor chain,
// and an HTTP server whose REST requests are dialled to it, so that the chain
// serves both.
//
// The way of a REST request: http.go (limits, headers, routes), gateway.go and
// json.go (JSON to message, errors to JSON), then over an in-memory connection
// chain.go (request id, metrics, log, errors, recovery, authentication, role,
// rate, deadline, validation), then the service.
package server
