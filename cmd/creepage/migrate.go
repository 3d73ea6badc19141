package main

import (
	"github.com/spf13/cobra"

	"creepage/internal/app"
)

func migrateCommand() *cobra.Command {
	var log logFlags
	c := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the database to this program's schema",
		Long: `Brings the database of CREEPAGE_DATABASE_URL (the owner's login, or a file with it
in CREEPAGE_DATABASE_URL_FILE) to the schema of this program. Running it again does
nothing; several at once wait for each other.`,
		Example: "  CREEPAGE_DATABASE_URL_FILE=/run/secrets/owner_url creepage migrate",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			common, err := log.common(cmd)
			if err != nil {
				return err
			}
			url, err := databaseSetting("the address of the database with its owner's login")
			if err != nil {
				return err
			}
			return app.Migrate(cmd.Context(), app.MigrateConfig{DatabaseURL: url, Log: common.Log})
		},
	}
	log.add(c.Flags())
	return c
}
