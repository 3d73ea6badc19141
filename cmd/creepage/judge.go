package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"creepage/internal/backtest"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

func judgeCommand() *cobra.Command {
	exam := backtest.Exam{Policy: trend.DefaultPolicy()}
	var (
		names []string
		seeds []uint
		lead  float64
		borne string
		parts bool
	)
	c := &cobra.Command{
		Use:   "judge",
		Short: "Score the method, and simpler ones beside it, on simulated fleets whose truth is known",
		Long: `Simulates fleets, replays their records without looking ahead and prints the
scores with 95 % intervals. Seeds from 101 are for judging; nothing is fitted on
them.`,
		Example: "  creepage judge --physics mild,rough,coastal --vehicles 600 --years 3\n  creepage judge --physics rough --seeds 101 --vehicles 3000 --ablation\n  creepage judge --physics drawn-101,drawn-102,drawn-103 --seeds 1 --vehicles 200",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			for _, name := range names {
				p, err := simulate.ByName(name)
				if err != nil {
					return wrongUsage(cmd, "--physics: "+err.Error())
				}
				exam.Physics = append(exam.Physics, p)
			}
			words := map[string]trend.FalseCalls{"few": trend.FewFalseCalls, "usual": trend.UsualFalseCalls, "many": trend.ManyFalseCalls}
			if words[borne] == 0 {
				return wrongUsage(cmd, fmt.Sprintf("--false-calls %q: want few, usual or many", borne))
			}
			if lead < 14 || lead > 365 {
				return wrongUsage(cmd, fmt.Sprintf("--lead-days %g: want 14 to 365", lead))
			}
			exam.Policy = trend.PolicyOf(lead, words[borne])
			for _, s := range seeds {
				exam.Seeds = append(exam.Seeds, uint64(s))
			}
			model, err := trend.NewModel(trend.Default())
			if err != nil {
				return err
			}
			config := backtest.Config{Model: model, Policy: exam.Policy, Every: 7 * 24 * time.Hour, Learn: backtest.LearnEvery}
			fmt.Fprintf(cmd.OutOrStdout(), "fleets of %d vehicles over %g years; seeds for fitting %v, for judging %v\n",
				exam.Vehicles, exam.Years, simulate.FittingSeeds(), simulate.JudgedSeeds())
			if parts {
				return exam.Ablate(cmd.Context(), config, func(a backtest.Ablation) { a.Print(cmd.OutOrStdout()) })
			}
			return exam.Take(cmd.Context(), config, func(r backtest.Report) { r.Print(cmd.OutOrStdout()) })
		},
	}
	var usual []uint
	for _, s := range simulate.JudgedSeeds() {
		usual = append(usual, uint(s))
	}
	f := c.Flags()
	f.StringSliceVar(&names, "physics", []string{"mild", "rough", "coastal"}, "names of the physics; drawn-1, drawn-2 ... have every setting drawn by the number")
	f.UintSliceVar(&seeds, "seeds", usual, "seeds")
	f.IntVar(&exam.Vehicles, "vehicles", 600, "vehicles in a fleet")
	f.Float64Var(&lead, "lead-days", exam.Policy.LeadDays, "how many days ahead a code is to be warned of")
	f.StringVar(&borne, "false-calls", "usual", "how many false calls are borne: few, usual or many")
	f.BoolVar(&parts, "ablation", false, "leave the simpler methods out and print what each part of learning is worth instead")
	f.Float64Var(&exam.Years, "years", 3, "years of records")
	return c
}
