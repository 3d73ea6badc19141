package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/insulation"
)

// voltmeterForms are the published forms by the command line's words.
var voltmeterForms = map[string]creepagev1.ComputeVoltmeterRequest_Form{
	"bus-voltage": creepagev1.ComputeVoltmeterRequest_BUS_VOLTAGE, "two-voltages": creepagev1.ComputeVoltmeterRequest_TWO_VOLTAGES,
	"one-step": creepagev1.ComputeVoltmeterRequest_ONE_STEP,
}

func benchVoltmeterCommand() *cobra.Command {
	req := &creepagev1.ComputeVoltmeterRequest{}
	var (
		form, resistor, meter     string
		working, volts, tolerance float64
	)
	c := &cobra.Command{
		Use:   "voltmeter --bus-volts V --minus-volts V --plus-volts V --loaded-volts V --resistor R",
		Short: "The whole vehicle's insulation from voltages, live, with a known resistor",
		Long: `Works the voltmeter method out: the bus voltage, each pole to chassis, and the
greater of the two again with a known resistor from that pole to the chassis.
Forms: bus-voltage (UN R100, GTR 20; free of the meter's loading), two-voltages
(FMVSS 305), one-step (ISO 6469-1:2001; both poles in parallel).

This is work on a live circuit.`,
		Example: `  creepage bench voltmeter --bus-volts 400 --minus-volts 300 --plus-volts 100 --loaded-volts 63.16 --resistor 200k
  creepage bench voltmeter --bus-volts 400 --minus-volts 279.1 --plus-volts 93 --loaded-volts 62.18 --resistor 200k --meter 10M --working-volts 420`,
		Args: cobra.NoArgs,
	}
	asJSON := jsonFlag(c)
	f := c.Flags()
	f.Float64Var(&req.BusVolts, "bus-volts", 0, "DC+ to DC- in volt")
	f.Float64Var(&req.MinusVolts, "minus-volts", 0, "DC- to chassis in volt")
	f.Float64Var(&req.PlusVolts, "plus-volts", 0, "DC+ to chassis in volt")
	f.Float64Var(&req.LoadedVolts, "loaded-volts", 0, "the greater of the two again, with the resistor, in volt")
	f.StringVar(&resistor, "resistor", "", "the known resistor, such as 200k")
	f.StringVar(&meter, "meter", "", "the voltmeter's own resistance, such as 10M (left out: 10 MΩ where the voltages show loading)")
	f.Float64Var(&working, "working-volts", 0, "working voltage for ohm per volt (left out: the bus voltage)")
	f.StringVar(&form, "form", "bus-voltage", "bus-voltage, two-voltages or one-step")
	f.Float64Var(&volts, "volts-uncertainty", 0.005, "standard uncertainty of a voltage, as a share of it")
	f.Float64Var(&tolerance, "resistor-uncertainty", 0.01, "standard uncertainty of the resistor, as a share of it")
	c.RunE = func(cmd *cobra.Command, _ []string) error {
		for _, name := range []string{"minus-volts", "plus-volts", "loaded-volts", "resistor"} {
			if !cmd.Flags().Changed(name) {
				return wrongUsage(cmd, "--"+name+" is missing")
			}
		}
		var ok bool
		if req.Form, ok = voltmeterForms[form]; !ok {
			return wrongUsage(cmd, fmt.Sprintf("--form %q: allowed are bus-voltage, two-voltages, one-step", form))
		}
		var err error
		if req.ResistorOhms, err = ohmsFlag(cmd, "resistor", resistor); err != nil {
			return err
		}
		if meter != "" {
			own, err := ohmsFlag(cmd, "meter", meter)
			if err != nil {
				return err
			}
			req.MeterOhms = &own
		}
		if cmd.Flags().Changed("working-volts") {
			req.WorkingVolts = &working
		}
		req.VoltsUncertainty, req.ResistorUncertainty = &volts, &tolerance
		m, err := benchwork.Voltmeter(req)
		if err != nil {
			return benchProblem(cmd, err, func(field string) string {
				return "--" + strings.TrimSuffix(strings.ReplaceAll(field, "_", "-"), "-ohms")
			})
		}
		return answerBench(cmd.OutOrStdout(), *asJSON, m, func() { printVoltmeter(cmd.OutOrStdout(), m) })
	}
	return c
}

func printVoltmeter(out io.Writer, m *creepagev1.VoltmeterResult) {
	quantity := "weaker pole"
	if m.GetQuantity() == creepagev1.Reading_PARALLEL {
		quantity = "both poles in parallel"
	}
	fmt.Fprintf(out, "%s: %s", quantity, insulation.FormatResistance(insulation.Relation(m.GetRelation()), m.GetResistanceOhms()))
	if i := m.GetInterval(); i != nil {
		fmt.Fprintf(out, " (weaker pole with 95 %%: %s to %s)", ohms(i.GetLowOhms()), ohms(i.GetHighOhms()))
	}
	fmt.Fprintf(out, "\nweaker pole %s: %s; both in parallel: %s\n", map[creepagev1.Reading_Conductor]string{creepagev1.Reading_HV_PLUS: "HV+", creepagev1.Reading_HV_MINUS: "HV−"}[m.GetWeakerPole()],
		ohms(m.GetWeakerPoleOhms()), ohms(m.GetParallelOhms()))
	fmt.Fprintf(out, "%.4g ohm per volt: 100 ohm per volt %s, 500 ohm per volt %s\n", m.GetOhmsPerVolt(), words(m.GetAgainst_100()), words(m.GetAgainst_500()))
	for _, n := range m.GetNotes() {
		fmt.Fprintf(out, "- %s\n", n.GetText())
	}
	printSteps(out, m.GetSteps())
}

// ohms writes a resistance as people say it.
func ohms(v float64) string { return insulation.FormatOhms(v) }
