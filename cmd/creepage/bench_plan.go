package main

import (
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/insulation"
	"creepage/internal/record"
)

func benchPlanCommand() *cobra.Command {
	var (
		f                            serviceFlags
		file, platform, vehicle, out string
	)
	c := &cobra.Command{
		Use:   "plan --platform ID",
		Short: "What to test on a vehicle, in order, with the precautions; on one page with --out",
		Example: `  creepage bench plan --platforms platforms.json --platform harbor-van-400
  creepage bench plan --platforms platforms.json --platform harbor-van-400 --out plan.pdf
  creepage bench plan --vehicle van-07 --server http://127.0.0.1:8080 --key-file data/admin.key`,
		Args: cobra.NoArgs,
	}
	asJSON := jsonFlag(c)
	f.add(c)
	c.Flags().StringVar(&file, "platforms", "", "platforms.json; no server is asked")
	c.Flags().StringVar(&platform, "platform", "", "id of the platform")
	c.Flags().StringVar(&vehicle, "vehicle", "", "or of a vehicle, where a server is asked")
	c.Flags().StringVar(&out, "out", "", "print it on one page: a file .pdf or .html")
	c.RunE = func(cmd *cobra.Command, _ []string) error {
		if (platform == "") == (vehicle == "") {
			return wrongUsage(cmd, "one of --platform and --vehicle is needed")
		}
		if file == "" {
			return f.plan(cmd, platform, vehicle, out, *asJSON)
		}
		if vehicle != "" {
			return wrongUsage(cmd, "--vehicle needs a server; with --platforms give --platform")
		}
		p, err := platformOf(cmd, file, platform)
		if err != nil {
			return err
		}
		if out != "" {
			return printPlan(cmd, p, out)
		}
		m := benchwork.PlanMessage(p)
		return answerBench(cmd.OutOrStdout(), *asJSON, m, func() { writePlan(cmd.OutOrStdout(), m) })
	}
	return c
}

// platformOf reads one platform of a file.
func platformOf(cmd *cobra.Command, file, id string) (*insulation.Platform, error) {
	platforms, err := readFile(file, record.ReadPlatforms)
	if err != nil {
		return nil, err
	}
	var ids []string
	for i := range platforms {
		if platforms[i].ID == id {
			return &platforms[i], platforms[i].Plannable()
		}
		ids = append(ids, platforms[i].ID)
	}
	return nil, wrongUsage(cmd, fmt.Sprintf("--platform %q is not in %s; it has %s%s", id, file, strings.Join(ids, ", "), meant(id, ids)))
}

func printPlan(cmd *cobra.Command, p *insulation.Platform, out string) error {
	format, err := paperOf(cmd, out)
	if err != nil {
		return err
	}
	d := benchwork.PlanDocument(p, time.Now())
	page, err := d.PDF()
	if format == creepagev1.Paper_HTML {
		page, err = d.HTML()
	}
	if err != nil {
		return err
	}
	return writePaper(cmd.OutOrStdout(), out, page)
}

func writePaper(w io.Writer, file string, page []byte) error {
	if err := os.WriteFile(file, page, 0o644); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "written to %s\n", file)
	return err
}

// plan asks a server for the plan.
func (f *serviceFlags) plan(cmd *cobra.Command, platform, vehicle, out string, asJSON bool) error {
	c, err := f.client()
	if err != nil {
		return err
	}
	req, m := &creepagev1.MakeTestPlanRequest{}, &creepagev1.TestPlan{}
	if platform != "" {
		req.Platform = "platforms/" + platform
	} else {
		req.Vehicle = "vehicles/" + vehicle
	}
	if err := c.Call(cmd.Context(), "POST", "/v1/bench:plan", req, m); err != nil {
		return err
	}
	if out == "" {
		return answerBench(cmd.OutOrStdout(), asJSON, m, func() { writePlan(cmd.OutOrStdout(), m) })
	}
	format, err := paperOf(cmd, out)
	if err != nil {
		return err
	}
	page, err := c.Raw(cmd.Context(), "GET", "/v1/"+m.GetPlatform()+":testPlan?format="+format.String(), nil)
	if err != nil {
		return err
	}
	return writePaper(cmd.OutOrStdout(), out, page)
}

func writePlan(out io.Writer, m *creepagev1.TestPlan) {
	fmt.Fprintf(out, "Test plan of %s (%s), working voltage up to %.4g V\n\nCautions\n", m.GetPlatformTitle(), strings.TrimPrefix(m.GetPlatform(), "platforms/"), m.GetMaxWorkingVolts())
	for _, s := range m.GetCautions() {
		fmt.Fprintf(out, "  - %s\n", s)
	}
	fmt.Fprintln(out, "\nBefore")
	for i, s := range m.GetBefore() {
		fmt.Fprintf(out, "  %d. %s\n", i+1, s)
	}
	fmt.Fprintln(out, "\nTest points, in this order")
	last := ""
	for i, p := range m.GetPoints() {
		if p.GetDisconnect() != last {
			last = p.GetDisconnect()
			fmt.Fprintf(out, "  disconnect first: %s\n", last)
		}
		fmt.Fprintf(out, "  %2d. %s: %.4g V for %.4g s, at least %s\n", i+1, point(p.GetComponent(), p.GetConductor(), p.GetReference()), p.GetTestVolts(), p.GetHoldSeconds(), ohms(p.GetLimitOhms()))
	}
	fmt.Fprintln(out, "\nAfter")
	for i, s := range m.GetAfter() {
		fmt.Fprintf(out, "  %d. %s\n", i+1, s)
	}
	fmt.Fprintf(out, "\n%s\n", benchAdvice)
}

func benchRecordCommand() *cobra.Command {
	var (
		f                   serviceFlags
		vehicle, visit, out string
	)
	c := &cobra.Command{
		Use:   "record --vehicle ID --visit ID --out FILE.pdf|FILE.html",
		Short: "The record of a stored visit on paper, for a warranty file",
		Long: `Asks a server for the record of a visit: vehicle, meter and its calibration,
conditions, precautions as stated, every reading with its limit and verdict,
corrections with their spread, the tracks, cautions, room for a signature. It is
a record of tests, not a release of the vehicle.`,
		Example: "  creepage bench record --vehicle van-07 --visit van-07-260728 --out record.pdf --server http://127.0.0.1:8080 --key-file data/admin.key",
		Args:    cobra.NoArgs,
	}
	f.add(c)
	c.Flags().StringVar(&vehicle, "vehicle", "", "id of the vehicle")
	c.Flags().StringVar(&visit, "visit", "", "the visit, as its readings state it")
	c.Flags().StringVar(&out, "out", "", "the file to write, .pdf or .html")
	c.RunE = func(cmd *cobra.Command, _ []string) error {
		if vehicle == "" || visit == "" || out == "" {
			return wrongUsage(cmd, "--vehicle, --visit and --out are needed")
		}
		format, err := paperOf(cmd, out)
		if err != nil {
			return err
		}
		client, err := f.client()
		if err != nil {
			return err
		}
		page, err := client.Raw(cmd.Context(), "GET", fmt.Sprintf("/v1/vehicles/%s/visits/%s:record?format=%s", url.PathEscape(vehicle), url.PathEscape(visit), format), nil)
		if err != nil {
			return err
		}
		return writePaper(cmd.OutOrStdout(), out, page)
	}
	return c
}
