package app

import (
	"context"

	"creepage/internal/store"
)

// IsDatabaseURL says whether a text is an address of a database, reachable or not.
func IsDatabaseURL(url string) bool { return store.IsURL(url) }

// Migrate brings a database to the schema of this program.
func Migrate(ctx context.Context, c MigrateConfig) error {
	if err := store.Migrate(ctx, c.DatabaseURL); err != nil {
		return err
	}
	c.Log.Info("the schema is up to date")
	return nil
}
