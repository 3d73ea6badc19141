package main

import (
	"errors"
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
				return wrongUsage(cmd, wrongArguments(cmd, args))
			}
			return nil
		}
	}
	for _, sub := range c.Commands() {
		usageErrors(sub)
	}
}

// wrongArguments says which argument is missing, or which is one too many.
func wrongArguments(cmd *cobra.Command, args []string) string {
	var wanted []string
	words := strings.Fields(cmd.Use)[1:]
	for i, word := range words {
		flag := strings.HasPrefix(word, "--")
		ofFlag := i > 0 && strings.HasPrefix(words[i-1], "--")
		if !flag && !ofFlag {
			wanted = append(wanted, word)
		}
	}
	if len(args) < len(wanted) {
		is := " is missing"
		if len(wanted)-len(args) > 1 {
			is = " are missing"
		}
		return strings.Join(wanted[len(args):], " and ") + is
	}
	if len(wanted) == 0 {
		return fmt.Sprintf("%q is not expected: %s takes flags alone", args[0], cmd.CommandPath())
	}
	return fmt.Sprintf("%q is one too many: %s takes %s", args[len(wanted)], cmd.CommandPath(), strings.Join(wanted, " and "))
}

// wantedOf says what a flag of a type takes.
var wantedOf = map[string]string{
	"duration": "a length of time such as 168h, 30m or 90s", "float64": "a number such as 21.5", "int": "a whole number such as 4", "int64": "a whole number such as 4",
	"uint64": "a whole number from 0 on", "uint": "a whole number from 0 on", "uintSlice": "whole numbers from 0 on, separated by commas, such as 1,2,3", "bool": "true or false",
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

// unknownFlag names the flag that was probably meant, or what a flag takes.
func unknownFlag(cmd *cobra.Command, err error) error {
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) {
		flag := invalid.GetFlag()
		if want, ok := wantedOf[flag.Value.Type()]; ok {
			return wrongUsage(cmd, fmt.Sprintf("--%s %q: want %s", flag.Name, invalid.GetValue(), want))
		}
	}
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
