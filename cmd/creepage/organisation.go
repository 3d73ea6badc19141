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
		Short:                      "Make tenants and their analysts' logins, for operators of serve and work",
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
	c.AddCommand(createOrganisationCommand(), analystCommand())
	return c
}

var organisationName = regexp.MustCompile(`^[a-z0-9_-][a-z0-9._-]{0,63}$`)

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
				return wrongUsage(cmd, fmt.Sprintf("name %q: want 1 to 64 lower case letters, digits, - _ or ., not beginning with a dot", args[0]))
			}
			url, err := databaseSetting("the address of the database with its owner's login")
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

var loginName = regexp.MustCompile(`^[a-z_][a-z0-9_]{0,62}$`)

func analystCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "analyst ORGANISATION LOGIN",
		Short: "Make a database login that reads one organisation's views, and print its password, once",
		Long: `Makes a login for an analyst who writes SQL: it reads the views report_* and sees
the rows of one organisation, whatever its session sets. The database is that of
CREEPAGE_DATABASE_URL (the owner's login, which may make roles, or a file with it in
CREEPAGE_DATABASE_URL_FILE). The password is printed this once; for a login that is
there already it is set anew.

DROP ROLE ends a login.`,
		Example: "  CREEPAGE_DATABASE_URL_FILE=/run/secrets/owner_url creepage organisation analyst harbor-fleet ann_analyst",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !loginName.MatchString(args[1]) {
				return wrongUsage(cmd, fmt.Sprintf("login %q: want 1 to 63 lower case letters, digits or _, and no digit at its beginning", args[1]))
			}
			url, err := databaseSetting("the address of the database with its owner's login")
			if err != nil {
				return err
			}
			password, err := app.MakeAnalyst(cmd.Context(), app.AnalystConfig{DatabaseURL: url, Organisation: args[0], Login: args[1], Now: time.Now()})
			switch {
			case errors.Is(err, app.ErrTaken):
				return fmt.Errorf("login %q is there already and is not an analyst's of organisation %q: choose another name", args[1], args[0])
			case errors.Is(err, app.ErrNoOrganisation):
				return fmt.Errorf("there is no organisation %q", args[0])
			case err != nil:
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), password)
			return nil
		},
	}
}
