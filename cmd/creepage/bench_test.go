package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	creepagev1 "creepage/api/creepage/v1"

	"github.com/spf13/cobra"
)

// The loading row of a 10 MΩ meter: 400 V, R+ 1 MΩ, R- 3 MΩ, Ro 200 kΩ, by Ohm's
// law. UN R100's form with the measured bus voltage gives the weaker pole all
// the same.
func TestTheBenchShowsItsWorkingOnATerminal(t *testing.T) {
	for _, c := range []struct {
		args  []string
		wants []string
	}{
		{[]string{"absorption", "30s=100M", "60s=150M", "10m=450M", "--class", "F"},
			[]string{"polarisation index 3.00 against at least 2.0 (IEEE 43): met", "R60/R30 = 150 MΩ / 100 MΩ = 1.5", "R600/R60 = 450 MΩ / 150 MΩ = 3"}},
		{[]string{"absorption", "1m=3.2G", "10m=>5G", "--class", "H"}, []string{"polarisation index >1.56 against at least 2.0 (IEEE 43): cannot tell"}},
		{[]string{"voltmeter", "--bus-volts", "400", "--minus-volts", "279.069767", "--plus-volts", "93.023256", "--loaded-volts", "62.176166", "--resistor", "200k", "--meter", "10M"},
			[]string{"weaker pole: 1 MΩ", "both in parallel: 750 kΩ", "93.0 % of Vb: the meter loads the circuit", "Ro x Vb x (1/V1' - 1/V1) = 200 kΩ x 400", "500 ohm per volt met"}},
		{[]string{"locate", "--components", "motor,heater,compressor", "--working-volts", "400", "all=120k", "without:compressor=50M", "compressor=118k"},
			[]string{"compressor leaks: about 118 kΩ", "cannot be told apart: motor, heater", "500 ohm per volt of 400 V (UN R100)"}},
		{[]string{"locate", "--components", "motor,heater,charger", "--limit", "1M", "dry:all=240M", "wet:all=150k", "wet:without:heater=290M"},
			[]string{"heater leaks, wet", "comes and goes: heater", "dry 240 MΩ, wet 150 kΩ: a factor of 0.000625"}},
		{[]string{"assess", "--platforms", "../../testdata/demo/platforms.json", "--platform", "harbor-van-400", "--air-celsius", "12", "motor:phase_u=>550M", "motor:phase_v=>550M", "motor:phase_w=24M"},
			[]string{"24 MΩ is below the service limit of 100 MΩ", "24 MΩ at 12 °C x 0.697", "contact or probe problem", "motor phase W to chassis: again, for the contradiction"}},
		{[]string{"plan", "--platforms", "../../testdata/demo/platforms.json", "--platform", "harbor-van-400"},
			[]string{"High voltage kills", "motor phase U to chassis: 500 V for 60 s, at least 100 MΩ", "Prove zero volts"}},
	} {
		out, messages, code := run(t, append([]string{"bench"}, c.args...)...)
		if code != 0 {
			t.Errorf("%v: exit code %d, %s", c.args, code, messages)
		}
		for _, want := range append(c.wants, "Advice, not a release of the vehicle") {
			if !strings.Contains(out, want) {
				t.Errorf("%v: the answer lacks %q:\n%s", c.args, want, out)
			}
		}
	}
}

func TestASlipAtTheBenchIsNamed(t *testing.T) {
	volts := []string{"voltmeter", "--bus-volts", "400", "--minus-volts", "300", "--plus-volts", "100", "--resistor", "200k", "--loaded-volts"}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"absorbtion"}, "`creepage bench absorption` meant"},
		{[]string{"absorption", "30s=5q"}, `unit "q" is not known`},
		{[]string{"absorption", "soon=5M"}, `"soon" is no time`},
		{[]string{"absorption", "2s=5M", "30s=4M"}, `"2s=5M" seconds: 2: allowed is 5 to 7200 s`},
		{[]string{"absorption", "30s=5M", "--class", "C"}, "allowed are A, B, F, H"},
		{append(volts, "310"), "--loaded-volts: 310: the resistor must lower the voltage"},
		{append(volts, "-1"), "--loaded-volts: -1"},
		{[]string{"voltmeter", "--minus-volts", "3"}, "--plus-volts is missing"},
		{append(volts, "50", "--form", "other"), "allowed are bus-voltage, two-voltages, one-step"},
		{append(volts, "50", "--meter", ">10M"), "--meter: \">10M\": a plain resistance is needed"},
		{append(volts, "50", "--volts-uncertainty", "2"), "--volts-uncertainty: 2: allowed is 0 to less than 1"},
		{[]string{"locate", "--components", "motor,heater", "--working-volts", "400", "motr=5M"}, "is motor meant?"},
		{[]string{"locate", "--components", "motor,heater", "all=5M"}, "--working-volts or --limit is needed"},
		{[]string{"locate", "--components", "a,b", "--working-volts", "9000", "all=5M"}, "--working-volts: 9000: allowed is more than 0 to 1500 V"},
		{[]string{"locate", "--components", "a,b", "--working-volts", "400", "muddy:all=5M"}, `"muddy" is none of dry, wet, cold, hot`},
		{[]string{"locate", "--components", "a,b", "--working-volts", "400", "wet,dry:all=5M"}, "contradicts"},
		{[]string{"locate", "--components", "a,b", "--working-volts", "400", "without:a+b=5M"}, "nothing is left connected"},
		{[]string{"locate", "--components", "a,b", "--working-volts", "400", "--uncertainty", "9", "all=5M"}, `"all=5M" relative_uncertainty: 9: allowed is 0.001 to 3`},
		{[]string{"assess", "motr:phase_u=5M"}, `component "motr" is none of battery, cable`},
		{[]string{"assess", "battery:phase_v=5M"}, "conductor: phase_v: a battery has no phases here; allowed are hv_plus, hv_minus, all"},
		{[]string{"assess", "motor=5M"}, "COMPONENT:CONDUCTOR"},
		{[]string{"assess"}, "readings are needed"},
		{[]string{"assess", "--readings", "../../testdata/demo/readings.csv"}, "more than one visit"},
		{[]string{"plan", "--platforms", "../../testdata/demo/platforms.json", "--platform", "harbor-van"}, "is harbor-van-400 meant?"},
		{[]string{"plan"}, "one of --platform and --vehicle is needed"},
		{[]string{"plan", "--platforms", "../../testdata/demo/platforms.json", "--platform", "harbor-van-400", "--out", "plan.doc"}, "ends in .pdf or .html"},
		{[]string{"record", "--vehicle", "van-07"}, "--vehicle, --visit and --out are needed"},
	} {
		_, messages, code := run(t, append([]string{"bench"}, c.args...)...)
		if code != exitUsage || !strings.Contains(messages, c.want) {
			t.Errorf("%v: exit code %d, %q; want %d and %q", c.args, code, messages, exitUsage, c.want)
		}
	}
}

func TestTheBenchAnswersInTheServicesJSON(t *testing.T) {
	out, messages, code := run(t, "bench", "absorption", "30s=100M", "60s=150M", "10m=450M", "--class", "F", "--json")
	m := &creepagev1.Absorption{}
	if err := protojson.Unmarshal([]byte(out), m); code != 0 || err != nil || m.GetPolarisationIndex() != 3 {
		t.Errorf("exit code %d, %v %s\n%s", code, err, messages, out)
	}
}

func TestThePlanIsWrittenToPaper(t *testing.T) {
	for ending, begins := range map[string]string{".pdf": "%PDF-", ".html": "<!doctype html>"} {
		file := filepath.Join(t.TempDir(), "plan"+ending)
		if _, messages, code := run(t, "bench", "plan", "--platforms", "../../testdata/demo/platforms.json", "--platform", "harbor-van-400", "--out", file); code != 0 {
			t.Fatal(messages)
		}
		if b, err := os.ReadFile(file); err != nil || !strings.HasPrefix(string(b), begins) {
			t.Errorf("%s begins with %.20q, %v", file, b, err)
		}
	}
}

// No plan is made for voltages that its cautions do not cover.
func TestNoPlanIsMadeBeyondTheCautions(t *testing.T) {
	for numbers, want := range map[string]string{
		`"max_working_volt":40000,"points":[]`: "max_working_volt 40000: a plan is made for 10 to 1500 V",
		`"max_working_volt":400,"points":[{"component":"motor","conductor":"phase_u","reference":"chassis","limit_ohm":1e8,"test_volt":14000}]`: "points[0]: test_volt 14000: a plan is made for 50 to 1500 V",
	} {
		file := filepath.Join(t.TempDir(), "platforms.json")
		if err := os.WriteFile(file, []byte(`{"platforms":[{"platform":"a",`+numbers+`}]}`), 0o600); err != nil {
			t.Fatal(err)
		}
		if out, messages, code := run(t, "bench", "plan", "--platforms", file, "--platform", "a"); code == 0 || out != "" || !strings.Contains(messages, want) {
			t.Errorf("exit code %d, want %q:\n%s%s", code, want, out, messages)
		}
	}
}

// The examples of the help run as they stand; only the files' folder is the
// test's, and what needs a server is run with the documents.
func TestTheExamplesOfTheBenchsHelpRun(t *testing.T) {
	root := rootCommand()
	bench, _, err := root.Find([]string{"bench"})
	if err != nil {
		t.Fatal(err)
	}
	count := 0
	for _, c := range append([]*cobra.Command{bench}, bench.Commands()...) {
		for line := range strings.Lines(c.Example) {
			if strings.Contains(line, "--server") {
				continue
			}
			count++
			line = strings.NewReplacer("platforms.json", "../../testdata/demo/platforms.json", "--readings readings.csv", "--readings ../../testdata/demo/readings.csv",
				"plan.pdf", filepath.Join(t.TempDir(), "plan.pdf")).Replace(strings.TrimSpace(line))
			var args []string
			for _, word := range regexp.MustCompile(`'[^']*'|\S+`).FindAllString(line, -1)[1:] {
				args = append(args, strings.Trim(word, "'"))
			}
			if out, messages, code := run(t, args...); code != 0 || out == "" {
				t.Errorf("%s: exit code %d\n%s", line, code, messages)
			}
		}
	}
	if count < 10 {
		t.Errorf("%d examples: were they found?", count)
	}
}

func FuzzReadingsOfTheBenchsCommandLine(f *testing.F) {
	for _, s := range []string{"all=120k", "wet,cold:without:b=>5G", "a+b=0.42 GΩ", "motor:phase_u:shield=<1M", "10m=550M", "=", ":=1", "without:=5M", "1e999=5M"} {
		f.Add(s)
	}
	components := []string{"a", "b", "motor"}
	f.Fuzz(func(t *testing.T, s string) {
		if r, err := circuitReading(s, components); err == nil && (len(r.GetConnected()) == 0 && !r.GetAllConnected() || !(r.GetResistanceOhms() > 0)) {
			t.Errorf("%q read as %v", s, r)
		}
		if m, err := (&assessFlags{}).message(s); err == nil && (m.GetComponent() == 0 || m.GetConductor() == 0 || m.GetReference() == 0) {
			t.Errorf("%q read as %v", s, m)
		}
		if name, _, _, err := cutReading(s); err == nil {
			_, _ = secondsOf(name)
		}
	})
}
