package app

import (
	"context"

	"creepage/internal/store"
)

// Migrate brings a database to the schema of this program.
func Migrate(ctx context.Context, c MigrateConfig) error {
	if err := store.Migrate(ctx, c.DatabaseURL); err != nil {
		return err
	}
	c.Log.Info("the schema is up to date")
	return nil
}
