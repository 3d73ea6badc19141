package main

import (
	"errors"
	"fmt"
	"regexp"
	"time"

	"github.com/spf13/cobra"

	"creepage/internal/app"
)

func organisationCommand() *cobra.Command {
	c := &cobra.Command{
		Use:                        "organisation",
		Short:                      "Make tenants, for operators of serve and work",
		SuggestionsMinimumDistance: 2,
		Example:                    "  creepage organisation create harbor-fleet --title 'Harbor Fleet'",
		Args:                       cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
	}
	c.AddCommand(createOrganisationCommand())
	return c
}

var organisationName = regexp.MustCompile(`^[a-z0-9._-]{1,64}$`)

func createOrganisationCommand() *cobra.Command {
	var title string
	c := &cobra.Command{
		Use:   "create NAME",
		Short: "Make a tenant and print its administrator's key, once",
		Long: `Makes a tenant in the database of CREEPAGE_DATABASE_URL (the owner's login, or a
file with it in CREEPAGE_DATABASE_URL_FILE) and prints the key of its administrator.
The key is shown this once; what is stored is its hash.`,
		Example: "  CREEPAGE_DATABASE_URL_FILE=/run/secrets/owner_url creepage organisation create harbor-fleet --title 'Harbor Fleet'",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !organisationName.MatchString(args[0]) {
				return wrongUsage(cmd, fmt.Sprintf("name %q: want 1 to 64 lower case letters, digits, - _ or .", args[0]))
			}
			url, err := requiredSetting("CREEPAGE_DATABASE_URL", "the address of the database with its owner's login")
			if err != nil {
				return err
			}
			secret, err := app.CreateOrganisation(cmd.Context(), app.OrganisationConfig{DatabaseURL: url, Name: args[0], Title: title, Now: time.Now()})
			if errors.Is(err, app.ErrTaken) {
				return fmt.Errorf("organisation %q is there already; its keys cannot be shown again", args[0])
			}
			if err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), secret)
			return nil
		},
	}
	c.Flags().StringVar(&title, "title", "", "title for people")
	return c
}
