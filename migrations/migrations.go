// Package migrations holds the database's schema as numbered steps up and
// down. River's own tables are made by River's migrator after these.
package migrations

import "embed"

// Files are the steps, NNNNNN_what.up.sql and .down.sql.
//
//go:embed *.sql
var Files embed.FS
