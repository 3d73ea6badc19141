package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/insulation"
	"creepage/internal/sheet"
)

// assessFlags are what bench assess is told.
type assessFlags struct {
	platforms, platform      string
	readings, vehicle, visit string
	volts, hold, air, damp   float64
}

func benchAssessCommand() *cobra.Command {
	var f assessFlags
	c := &cobra.Command{
		Use:   "assess [COMPONENT:CONDUCTOR[:REFERENCE]=RESISTANCE...]",
		Short: "Are the readings of a visit good, do they agree, and what must be measured again",
		Long: `Holds readings of one occasion against their limits, as read and corrected to
20 °C with the spread of the published laws, names readings that contradict each
other and what must be measured again. The readings stand on the command line
(reference: chassis unless it says shield) or in a file in the form of
readings.csv, of which --vehicle and --visit choose one visit.`,
		Example: `  creepage bench assess --platforms platforms.json --platform harbor-van-400 --air-celsius 12 'motor:phase_u=>550M' 'motor:phase_v=>550M' motor:phase_w=24M
  creepage bench assess --platforms platforms.json --readings readings.csv --vehicle van-07 --visit van-07-260728`,
		Args: cobra.ArbitraryArgs,
	}
	asJSON := jsonFlag(c)
	fl := c.Flags()
	fl.StringVar(&f.platforms, "platforms", "", "platforms.json with the limits (left out: no limits are known)")
	fl.StringVar(&f.platform, "platform", "", "id of the platform (left out: the readings' own)")
	fl.StringVar(&f.readings, "readings", "", "a file in the form of readings.csv")
	fl.StringVar(&f.vehicle, "vehicle", "", "of the file, this vehicle")
	fl.StringVar(&f.visit, "visit", "", "of the file, this visit")
	fl.Float64Var(&f.volts, "test-volts", math.NaN(), "test voltage of the readings on the command line, in volt")
	fl.Float64Var(&f.hold, "hold-seconds", math.NaN(), "how long it was held, in seconds")
	fl.Float64Var(&f.air, "air-celsius", math.NaN(), "air temperature in °C")
	fl.Float64Var(&f.damp, "humidity-percent", math.NaN(), "relative humidity in percent")
	c.RunE = func(cmd *cobra.Command, args []string) error {
		if (f.readings == "") == (len(args) == 0) {
			return wrongUsage(cmd, "readings are needed: on the command line, or in a file by --readings")
		}
		readings, err := f.take(cmd, args)
		if err != nil {
			return err
		}
		var p *insulation.Platform
		if id := f.platformOf(readings); f.platforms != "" && id == "" {
			return wrongUsage(cmd, "--platform is missing: the readings do not say it")
		} else if f.platforms != "" {
			if p, err = platformOf(cmd, f.platforms, id); err != nil {
				return err
			}
		}
		m, err := benchwork.Assess(readings, p, time.Now())
		if err != nil {
			return benchProblem(cmd, err, func(field string) string { return argumentOf(field, args) })
		}
		return answerBench(cmd.OutOrStdout(), *asJSON, m, func() { printVisit(cmd.OutOrStdout(), m) })
	}
	return c
}

func (f *assessFlags) platformOf(readings []insulation.Reading) string {
	if f.platform != "" || len(readings) == 0 {
		return f.platform
	}
	return readings[0].Platform
}

// take reads the visit from the command line or the file.
func (f *assessFlags) take(cmd *cobra.Command, args []string) ([]insulation.Reading, error) {
	if f.readings != "" {
		return f.visitOf(cmd)
	}
	messages := make([]*creepagev1.Reading, len(args))
	for i, arg := range args {
		m, err := f.message(arg)
		if err != nil {
			return nil, wrongUsage(cmd, err.Error())
		}
		messages[i] = m
	}
	readings, err := benchwork.SentReadings(messages, time.Now())
	if err != nil {
		return nil, benchProblem(cmd, err, func(field string) string { return argumentOf(field, args) })
	}
	return readings, nil
}

// message reads COMPONENT:CONDUCTOR[:REFERENCE]=RESISTANCE.
func (f *assessFlags) message(arg string) (*creepagev1.Reading, error) {
	name, relation, resistance, err := cutReading(arg)
	if err != nil {
		return nil, err
	}
	parts := strings.Split(name, ":")
	if len(parts) == 2 {
		parts = append(parts, insulation.Chassis.String())
	}
	if len(parts) != 3 {
		return nil, fmt.Errorf("%q: want COMPONENT:CONDUCTOR[:REFERENCE]=RESISTANCE, such as motor:phase_u=420M", arg)
	}
	component, err1 := insulation.ParseComponent(parts[0])
	conductor, err2 := insulation.ParseConductor(parts[1])
	reference, err3 := insulation.ParseReference(parts[2])
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("%q: %s", arg, strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return &creepagev1.Reading{Method: creepagev1.Reading_TESTER, Component: creepagev1.Reading_Component(component), Conductor: creepagev1.Reading_Conductor(conductor),
		Reference: creepagev1.Reading_Reference(reference), Relation: creepagev1.Reading_Relation(relation), ResistanceOhms: resistance,
		TestVolts: stated(f.volts), HoldSeconds: stated(f.hold), TemperatureCelsius: stated(f.air), HumidityPercent: stated(f.damp)}, nil
}

// stated is nil for what was not given.
func stated(v float64) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	return &v
}

// visitOf reads one visit of a file.
func (f *assessFlags) visitOf(cmd *cobra.Command) ([]insulation.Reading, error) {
	table, err := sheet.Open(f.readings, nil)
	if err != nil {
		return nil, err
	}
	defer table.Close()
	var readings []insulation.Reading
	for {
		row, err := table.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if r := row.Reading; row.Err == nil && (f.vehicle != "" && r.Vehicle != f.vehicle || f.visit != "" && r.Visit != f.visit) {
			continue
		}
		if row.Err != nil {
			fmt.Fprintf(cmd.ErrOrStderr(), "%s line %d is left out: %v\n", f.readings, row.Line, row.Err)
			continue
		}
		readings = append(readings, row.Reading)
		if first := readings[0]; row.Reading.Vehicle != first.Vehicle || row.Reading.Visit != first.Visit {
			return nil, wrongUsage(cmd, fmt.Sprintf("%s holds more than one visit: %s of %s and %s of %s; choose one by --vehicle and --visit", f.readings, first.Visit, first.Vehicle, row.Reading.Visit, row.Reading.Vehicle))
		}
	}
	if len(readings) == 0 {
		return nil, wrongUsage(cmd, fmt.Sprintf("%s holds no such visit", f.readings))
	}
	return readings, nil
}

func printVisit(out io.Writer, m *creepagev1.VisitAssessment) {
	fmt.Fprintln(out, m.GetSummary())
	about := map[string][]string{} // readings by what is noted of them
	var notes []string
	for i, v := range m.GetReadings() {
		r := v.GetReading()
		fmt.Fprintf(out, "%2d. %s: %s\n", i+1, point(r.GetComponent(), r.GetConductor(), r.GetReference()), v.GetVerdict())
		for _, s := range v.GetSteps() {
			fmt.Fprintf(out, "      %s\n", s.GetText())
		}
		for _, n := range v.GetAssessment().GetNotes() {
			if about[n.GetText()] == nil {
				notes = append(notes, n.GetText())
			}
			about[n.GetText()] = append(about[n.GetText()], fmt.Sprint(i+1))
		}
	}
	for _, n := range notes {
		which := "readings " + strings.Join(about[n], ", ")
		if len(about[n]) == len(m.GetReadings()) {
			which = "all readings"
		}
		fmt.Fprintf(out, "  - %s: %s\n", which, n)
	}
	for _, p := range m.GetPooled() {
		if p.GetReadings() > 1 {
			fmt.Fprintf(out, "%s: %d looks at one insulation, pooled %s\n", p.GetGroup(), p.GetReadings(), insulation.FormatResistance(insulation.Relation(p.GetRelation()), p.GetOhms()))
		}
	}
	contradictory := map[string]bool{}
	for _, c := range m.GetContradictions() {
		contradictory[c.GetText()] = true
		fmt.Fprintf(out, "contradiction: %s\n", c.GetText())
	}
	if len(m.GetMeasureAgain()) > 0 {
		fmt.Fprintln(out, "measure:")
	}
	for _, a := range m.GetMeasureAgain() {
		why := a.GetReason()
		switch {
		case contradictory[why]:
			why = "again, for the contradiction"
		case strings.HasSuffix(why, "was not measured in this visit"):
			why = "not measured in this visit"
		}
		fmt.Fprintf(out, "  %s: %s\n", point(a.GetComponent(), a.GetConductor(), a.GetReference()), why)
	}
	printSteps(out, nil)
}
