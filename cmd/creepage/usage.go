package main

import (
	"fmt"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// usageErrors gives a command's complaints about its arguments the exit code of
// wrong usage and a pointer to its help.
func usageErrors(c *cobra.Command) {
	if check := c.Args; check != nil {
		c.Args = func(cmd *cobra.Command, args []string) error {
			if err := check(cmd, args); err != nil {
				return wrongUsage(cmd, err.Error())
			}
			return nil
		}
	}
	for _, sub := range c.Commands() {
		usageErrors(sub)
	}
}

func wrongUsage(cmd *cobra.Command, why string) error {
	return &exitError{exitUsage, fmt.Errorf("%s\nSee: %s --help", why, cmd.CommandPath())}
}

func unknownCommand(cmd *cobra.Command, name string) error {
	why := fmt.Sprintf("there is no command %q", name)
	if like := cmd.SuggestionsFor(name); len(like) > 0 {
		why += "; is `" + cmd.CommandPath() + " " + like[0] + "` meant?"
	}
	return wrongUsage(cmd, why)
}

// unknownFlag names the flag that was probably meant.
func unknownFlag(cmd *cobra.Command, err error) error {
	name, found := strings.CutPrefix(err.Error(), "unknown flag: --")
	if !found {
		return wrongUsage(cmd, err.Error())
	}
	best, bestDistance := "", len(name)/3+2
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if d := levenshtein.ComputeDistance(name, f.Name); d < bestDistance {
			best, bestDistance = f.Name, d
		}
	})
	why := fmt.Sprintf("there is no flag --%s", name)
	if best != "" {
		why += fmt.Sprintf("; is --%s meant?", best)
	}
	return wrongUsage(cmd, why)
}
