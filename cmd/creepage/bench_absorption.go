package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
)

func benchAbsorptionCommand() *cobra.Command {
	var (
		class    string
		volts    float64
		wholeBus bool
	)
	c := &cobra.Command{
		Use:   "absorption TIME=RESISTANCE...",
		Short: "Absorption ratio and polarisation index of a timed test, and the currents fitted to it",
		Long: `Forms R60s/R30s and R10min/R1min, holds the index against IEEE 43's least for the
thermal class, and with five values or more fits A t^-n + G, the absorption and
the conduction current. Times are written 30s, 1m, 10m or in seconds.`,
		Example: `  creepage bench absorption 30s=100M 60s=150M 10m=450M --class F
  creepage bench absorption 15s=48M 30s=64M 60s=82M 2m=101M 5m=122M 10m=134M --class B --test-volts 500
  creepage bench absorption 1m=3.2G '10m=>5G' --class H`,
		Args: cobra.MinimumNArgs(1),
	}
	asJSON := jsonFlag(c)
	c.Flags().StringVar(&class, "class", "", "thermal class of the winding: A, B, F or H")
	c.Flags().Float64Var(&volts, "test-volts", 0, "test voltage in volt, for the currents in ampere")
	c.Flags().BoolVar(&wholeBus, "whole-bus", false, "a whole bus with its filter capacitors: the ratios are information only")
	c.RunE = func(cmd *cobra.Command, args []string) error {
		req := &creepagev1.ComputeAbsorptionRequest{}
		if wholeBus {
			req.Component = creepagev1.Reading_SYSTEM
		}
		if cmd.Flags().Changed("test-volts") {
			req.TestVolts = &volts
		}
		if class != "" {
			n, ok := creepagev1.ComputeAbsorptionRequest_ThermalClass_value["CLASS_"+strings.ToUpper(class)]
			if !ok {
				return wrongUsage(cmd, fmt.Sprintf("--class %q: allowed are A, B, F, H", class))
			}
			req.ThermalClass = creepagev1.ComputeAbsorptionRequest_ThermalClass(n)
		}
		for _, arg := range args {
			name, relation, ohms, err := cutReading(arg)
			if err != nil {
				return wrongUsage(cmd, err.Error())
			}
			seconds, err := secondsOf(name)
			if err != nil {
				return wrongUsage(cmd, fmt.Sprintf("%q: %v", arg, err))
			}
			req.Readings = append(req.Readings, &creepagev1.TimedReading{Seconds: seconds, ResistanceOhms: ohms, Relation: creepagev1.Reading_Relation(relation)})
		}
		m, err := benchwork.Absorption(req)
		if err != nil {
			return benchProblem(cmd, err, func(field string) string { return argumentOf(field, args) })
		}
		return answerBench(cmd.OutOrStdout(), *asJSON, m, func() { printAbsorption(cmd.OutOrStdout(), m) })
	}
	return c
}

// secondsOf reads 30s, 1m, 10m or a plain number of seconds.
func secondsOf(text string) (float64, error) {
	if v, err := strconv.ParseFloat(text, 64); err == nil {
		return v, nil
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%q is no time; want 30s, 1m, 10m, or seconds", text)
	}
	return d.Seconds(), nil
}

// argumentOf calls a field of the n-th reading what was written there.
func argumentOf(field string, args []string) string {
	rest, found := strings.CutPrefix(field, "readings[")
	if !found {
		return strings.ReplaceAll(field, "_", "-")
	}
	number, rest, _ := strings.Cut(rest, "]")
	i, err := strconv.Atoi(number)
	if err != nil || i < 0 || i >= len(args) {
		return field
	}
	return strconv.Quote(args[i]) + strings.ReplaceAll(rest, ".", " ")
}

func printAbsorption(out io.Writer, m *creepagev1.Absorption) {
	fmt.Fprintln(out, m.GetVerdict())
	if m.AbsorptionRatio != nil {
		fmt.Fprintf(out, "absorption ratio    %.3g\n", m.GetAbsorptionRatio())
	}
	if m.PolarisationIndex != nil {
		fmt.Fprintf(out, "polarisation index  %.3g\n", m.GetPolarisationIndex())
	}
	if m.AbsorptionExponent != nil {
		fmt.Fprintf(out, "absorption exponent %.3g\n", m.GetAbsorptionExponent())
	}
	if m.ConductionOhms != nil {
		fmt.Fprintf(out, "climbs to           %s\n", ohms(m.GetConductionOhms()))
	}
	if m.ConductionAmpere != nil {
		fmt.Fprintf(out, "conduction current  %.3g A; absorption current at 1 s %.3g A\n", m.GetConductionAmpere(), m.GetAbsorptionAmpere())
	}
	printSteps(out, m.GetSteps())
}
