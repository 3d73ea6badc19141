package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
)

func benchLocateCommand() *cobra.Command {
	req := &creepagev1.LocateLeakRequest{}
	var (
		limit, healthy, span string
		working, uncertainty float64
	)
	c := &cobra.Command{
		Use:   "locate --components A,B,... --working-volts V CONNECTED=RESISTANCE...",
		Short: "Which component leaks, from readings with some disconnected, and what to disconnect next",
		Long: `Estimates each component's resistance from whole-circuit readings taken with
some components disconnected. What was connected is written as

  all                     everything
  motor+heater            these alone
  without:compressor      everything but these (join several by +)

and before it, where the leak comes and goes, a condition: wet, dry, hot, cold,
or two of them, as in wet,cold:all=90k. Readings of different conditions are kept
apart and compared.`,
		Example: `  creepage bench locate --components motor,heater,compressor --working-volts 400 all=120k without:compressor=50M compressor=118k
  creepage bench locate --components motor,heater,charger --limit 1M dry:all=240M wet:all=150k wet:without:heater=290M`,
		Args: cobra.MinimumNArgs(1),
	}
	asJSON := jsonFlag(c)
	f := c.Flags()
	f.StringSliceVar(&req.Components, "components", nil, "the circuit's components, 2 to 16, parted by commas")
	f.Float64Var(&working, "working-volts", 0, "working voltage; a component below 500 ohm per volt leaks")
	f.StringVar(&limit, "limit", "", "or the limit itself, such as 200k")
	f.StringVar(&healthy, "healthy", "", "usual resistance of a sound component (left out: what the readings show)")
	f.StringVar(&span, "range", "", "top of the meter's range, for the suggestion of the next test")
	f.Float64Var(&uncertainty, "uncertainty", 0.1732, "standard uncertainty of a reading, as a share of it; the default is IEC 61557-2's 30 %")
	c.RunE = func(cmd *cobra.Command, args []string) error {
		if len(req.Components) == 0 {
			return wrongUsage(cmd, "--components is missing")
		}
		if limit == "" && !cmd.Flags().Changed("working-volts") {
			return wrongUsage(cmd, "--working-volts or --limit is needed: below what a component counts as leaking")
		}
		if cmd.Flags().Changed("working-volts") {
			req.WorkingVolts = &working
		}
		for _, o := range []struct {
			flag, text string
			to         **float64
		}{{"limit", limit, &req.LimitOhms}, {"healthy", healthy, &req.HealthyOhms}, {"range", span, &req.RangeOhms}} {
			if o.text == "" {
				continue
			}
			v, err := ohmsFlag(cmd, o.flag, o.text)
			if err != nil {
				return err
			}
			*o.to = &v
		}
		for _, arg := range args {
			r, err := circuitReading(arg, req.Components)
			if err != nil {
				return wrongUsage(cmd, err.Error())
			}
			r.RelativeUncertainty = &uncertainty
			req.Readings = append(req.Readings, r)
		}
		m, err := benchwork.Locate(req)
		if err != nil {
			return benchProblem(cmd, err, func(field string) string {
				if strings.HasPrefix(field, "readings[") {
					return argumentOf(field, args)
				}
				return "--" + strings.TrimSuffix(strings.ReplaceAll(field, "_", "-"), "-ohms")
			})
		}
		return answerBench(cmd.OutOrStdout(), *asJSON, m, func() { printLeak(cmd.OutOrStdout(), m) })
	}
	return c
}

// circuitReading reads [CONDITION:]CONNECTED=RESISTANCE.
func circuitReading(arg string, components []string) (*creepagev1.CircuitReading, error) {
	name, relation, resistance, err := cutReading(arg)
	if err != nil {
		return nil, err
	}
	r := &creepagev1.CircuitReading{Relation: creepagev1.Reading_Relation(relation), ResistanceOhms: resistance}
	parts := strings.Split(name, ":")
	if first := parts[0]; len(parts) > 1 && first != "without" {
		r.Condition, parts = first, parts[1:]
	}
	without := parts[0] == "without" && len(parts) > 1
	if without {
		parts = parts[1:]
	}
	if len(parts) != 1 {
		return nil, fmt.Errorf("%q: want [CONDITION:][without:]NAME+NAME=RESISTANCE", arg)
	}
	if parts[0] == "all" && !without {
		r.AllConnected = true
		return r, nil
	}
	named := strings.Split(parts[0], "+")
	for _, n := range named {
		if !slices.Contains(components, n) {
			return nil, fmt.Errorf("%q: %q is no component; they are %s%s", arg, n, strings.Join(components, ", "), meant(n, components))
		}
	}
	if !without {
		r.Connected = named
		return r, nil
	}
	for _, n := range components {
		if !slices.Contains(named, n) {
			r.Connected = append(r.Connected, n)
		}
	}
	if len(r.Connected) == 0 {
		return nil, fmt.Errorf("%q: nothing is left connected", arg)
	}
	return r, nil
}

// meant names what was probably meant by a word, if something was.
func meant(word string, candidates []string) string {
	best, distance := "", len(word)/3+2
	for _, c := range candidates {
		if d := levenshtein.ComputeDistance(word, c); d < distance {
			best, distance = c, d
		}
	}
	if best == "" {
		return ""
	}
	return "; is " + best + " meant?"
}

func printLeak(out io.Writer, m *creepagev1.LeakLocation) {
	fmt.Fprintln(out, m.GetSummary())
	for _, c := range m.GetConditions() {
		if len(m.GetConditions()) > 1 {
			fmt.Fprintf(out, "\n%s\n", c.GetCondition())
		}
		fmt.Fprintf(out, "  %-16s %10s %25s %10s %10s\n", "component", "about", "8 in 10 between", "leaks", "the worst")
		for _, s := range c.GetComponents() {
			fmt.Fprintf(out, "  %-16s %10s %25s %10.2f %10.2f\n", s.GetComponent(), ohms(s.GetMedianOhms()),
				ohms(s.GetInterval().GetLowOhms())+" .. "+ohms(s.GetInterval().GetHighOhms()), s.GetFaultProbability(), s.GetWorstProbability())
		}
		if next := c.GetNext(); next != nil {
			fmt.Fprintf(out, "  next: %s\n", next.GetReason())
		}
	}
	for _, s := range m.GetIndistinct() {
		fmt.Fprintf(out, "cannot be told apart: %s\n", strings.Join(s.GetComponents(), ", "))
	}
	for _, s := range m.GetIntermittent() {
		fmt.Fprintf(out, "comes and goes: %s\n", s)
	}
	printSteps(out, m.GetSteps())
}
