package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/client"
	"creepage/internal/insulation"
	"creepage/internal/problem"
)

// benchAdvice stands under everything that the bench says on a terminal.
const benchAdvice = "Advice, not a release of the vehicle. High voltage kills: qualified people only, by the maker's procedure and the local codes, zero volts proven."

func benchCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "bench",
		Short: "The bench's questions: what to test, is it good, is it absorbing, what is the whole worth, where is the leak",
		Long: `Answers the technician's questions by the same computation as the service, with
the working shown. plan, assess, absorption, voltmeter and locate need no server;
plan and record can ask one.

Resistances are written as people write them: 550M, >550M, 0.42 GΩ, 200k.

High voltage kills. Testing is for qualified people who follow the vehicle
maker's procedure and local codes and prove zero volts first. creepage advises;
it never declares a vehicle safe.`,
		Example: `  creepage bench absorption 30s=100M 60s=150M 10m=450M --class F
  creepage bench locate --components motor,heater,compressor --working-volts 400 all=120k without:compressor=50M`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
		SuggestionsMinimumDistance: 2,
	}
	c.AddCommand(benchPlanCommand(), benchAssessCommand(), benchAbsorptionCommand(), benchVoltmeterCommand(), benchLocateCommand(), benchRecordCommand())
	return c
}

// jsonFlag adds --json, the answer as the service gives it.
func jsonFlag(c *cobra.Command) *bool {
	return c.Flags().Bool("json", false, "print the answer as the service's JSON")
}

// answerBench prints an answer: as JSON, or as people read it.
func answerBench(out io.Writer, asJSON bool, m proto.Message, people func()) error {
	if !asJSON {
		people()
		return nil
	}
	text, err := (protojson.MarshalOptions{Multiline: true, Indent: "  ", EmitDefaultValues: true}).Marshal(m)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(out, string(text))
	return err
}

// printSteps prints a working, line by line, and the advice.
func printSteps(out io.Writer, steps []*creepagev1.Step) {
	if len(steps) > 0 {
		fmt.Fprintln(out, "\nWorking:")
	}
	for _, s := range steps {
		fmt.Fprintf(out, "  %s\n", s.GetText())
	}
	fmt.Fprintf(out, "\n%s\n", benchAdvice)
}

// benchProblem turns a refusal into wrong usage: each wrong field on a line of
// its own, called what the command line calls it.
func benchProblem(cmd *cobra.Command, err error, called func(field string) string) error {
	p := problem.Of(err)
	if len(p.Fields) == 0 {
		return err
	}
	lines := make([]string, len(p.Fields))
	for i, f := range p.Fields {
		lines[i] = called(f.Path) + ": " + cmp.Or(f.InFiles, f.Description)
	}
	return wrongUsage(cmd, strings.Join(lines, "\n"))
}

// ohmsFlag reads a resistance given to a flag, without a relation.
func ohmsFlag(cmd *cobra.Command, flag, text string) (float64, error) {
	relation, ohms, err := insulation.ParseResistance(text, 0)
	if err == nil && relation != insulation.Equal {
		err = fmt.Errorf("%q: a plain resistance is needed, without > or <", text)
	}
	if err != nil {
		return 0, wrongUsage(cmd, fmt.Sprintf("--%s: %v", flag, err))
	}
	return ohms, nil
}

// cutReading parts NAME=RESISTANCE.
func cutReading(arg string) (name string, relation insulation.Relation, ohms float64, err error) {
	name, text, found := strings.Cut(arg, "=")
	if !found || name == "" {
		return "", 0, 0, fmt.Errorf("%q: want NAME=RESISTANCE, such as 60s=150M; quote it where there is a > or <", arg)
	}
	relation, ohms, err = insulation.ParseResistance(text, 0)
	if err != nil {
		return "", 0, 0, fmt.Errorf("%q: %w", arg, err)
	}
	return name, relation, ohms, nil
}

// serviceFlags are how a command finds a service.
type serviceFlags struct{ server, keyFile string }

func (f *serviceFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.server, "server", os.Getenv("CREEPAGE_SERVER"), "the service's address, such as http://127.0.0.1:8080 (or CREEPAGE_SERVER)")
	c.Flags().StringVar(&f.keyFile, "key-file", "", "file with the key (or CREEPAGE_KEY with the key itself)")
}

func (f *serviceFlags) client() (*client.Client, error) {
	if f.server == "" {
		return nil, &exitError{exitUsage, errors.New("--server is missing: want the service's address, such as http://127.0.0.1:8080")}
	}
	key, err := readKey(f.keyFile)
	if err != nil {
		return nil, err
	}
	c, err := client.New(f.server, key)
	if err != nil {
		return nil, &exitError{exitUsage, err}
	}
	return c, nil
}

// paperOf is the format of a file by its name.
func paperOf(cmd *cobra.Command, file string) (creepagev1.Paper_Format, error) {
	switch {
	case strings.HasSuffix(file, ".pdf"):
		return creepagev1.Paper_PDF, nil
	case strings.HasSuffix(file, ".html"):
		return creepagev1.Paper_HTML, nil
	}
	return 0, wrongUsage(cmd, fmt.Sprintf("--out %q: want a name that ends in .pdf or .html", file))
}

// words writes an enum's value as people do.
func words(v fmt.Stringer) string {
	switch s := strings.ToLower(strings.ReplaceAll(v.String(), "_", " ")); s {
	case "hv plus":
		return "HV+"
	case "hv minus":
		return "HV−"
	case "phase u", "phase v", "phase w":
		return s[:6] + strings.ToUpper(s[6:])
	default:
		return s
	}
}

// point names a test point.
func point(component, conductor, reference fmt.Stringer) string {
	if c := words(conductor); c != "all" {
		return fmt.Sprintf("%s %s to %s", words(component), c, words(reference))
	}
	return fmt.Sprintf("%s, all conductors, to %s", words(component), words(reference))
}
