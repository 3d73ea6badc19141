package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// run runs the program as main does and returns its output, its messages and its exit code.
func run(t *testing.T, args ...string) (out, messages string, code int) {
	t.Helper()
	root := rootCommand()
	var o, m bytes.Buffer
	root.SetOut(&o)
	root.SetErr(&m)
	root.SetArgs(args)
	err := root.ExecuteContext(context.Background())
	if err == nil {
		return o.String(), m.String(), 0
	}
	m.WriteString(err.Error())
	var coded *exitError
	if errors.As(err, &coded) {
		return o.String(), m.String(), coded.code
	}
	return o.String(), m.String(), exitFailed
}

func TestASlipOfThePenIsNamed(t *testing.T) {
	t.Setenv("CREEPAGE_DATABASE_URL", "postgres://nowhere")
	t.Setenv("CREEPAGE_NATS_URL", "nats://nowhere")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"imprt", "x.csv"}, "`creepage import` meant"},
		{[]string{"frobnicate"}, `no command "frobnicate"`},
		{[]string{"import", "x.csv", "--sever", "http://x"}, "--server meant"},
		{[]string{"import"}, "FILE.csv|FILE.xlsx is missing\nSee: creepage import --help"},
		{[]string{"import", "a.csv", "b.csv"}, `"b.csv" is one too many: creepage import takes FILE.csv|FILE.xlsx`},
		{[]string{"organisation", "create"}, "NAME is missing"},
		{[]string{"organisation", "analyst", "acme"}, "LOGIN is missing"},
		{[]string{"organisation", "analyst"}, "ORGANISATION and LOGIN are missing"},
		{[]string{"export", "a", "b"}, `"b" is one too many: creepage export takes REPORT`},
		{[]string{"serve", "now"}, `"now" is not expected: creepage serve takes flags alone`},
		{[]string{"bench", "absorption"}, "TIME=RESISTANCE... is missing"},
		{[]string{"bench", "locate", "--components", "a,b"}, "CONNECTED=RESISTANCE... is missing"},
		{[]string{"backtest", "--every", "1x"}, `--every "1x": want a length of time such as 168h`},
		{[]string{"bench", "assess", "--air-celsius", "warm"}, `--air-celsius "warm": want a number such as 21.5`},
		{[]string{"judge", "--seeds", "abc"}, `--seeds "abc": want whole numbers from 0 on, separated by commas`},
		{[]string{"judge", "--vehicles", "many"}, `--vehicles "many": want a whole number`},
		{[]string{"up"}, "--data is missing"},
		{[]string{"backtest", "--out", "x"}, "--readings and --out are needed"},
		{[]string{"simulate"}, "--out is missing"},
		{[]string{"judge", "--lead-days", "5"}, "--lead-days 5: want 14 to 365"},
		{[]string{"judge", "--false-calls", "none"}, `--false-calls "none": want few, usual or many`},
		{[]string{"organisation", "crate"}, "`creepage organisation create` meant"},
		{[]string{"organisation", "create", "Not A Name"}, "lower case letters"},
		{[]string{"organisation", "create", ".."}, "not beginning with a dot"},
		{[]string{"serve", "--log-level", "loud"}, "debug, info, warn or error"},
		{[]string{"serve", "--tls-cert", "x.pem"}, "belong together"},
		{[]string{"import", "x.csv", "--batch", "many"}, `--batch "many": want a whole number`},
	} {
		_, messages, code := run(t, c.args...)
		if code != exitUsage || !strings.Contains(messages, c.want) {
			t.Errorf("%v: exit code %d, %q; want %d and %q", c.args, code, messages, exitUsage, c.want)
		}
	}
}

func TestADatabasesAddressThatIsNoneIsNamedByItsVariable(t *testing.T) {
	t.Setenv("CREEPAGE_DATABASE_URL", "secret-and-no-address")
	t.Setenv("CREEPAGE_NATS_URL", "nats://nowhere")
	for _, args := range [][]string{{"migrate"}, {"serve"}, {"work"}, {"organisation", "create", "acme", "--title", "Acme"}} {
		_, messages, code := run(t, args...)
		if code != exitUsage || !strings.Contains(messages, "CREEPAGE_DATABASE_URL is no address of a PostgreSQL database: want one such as postgres://") || strings.Contains(messages, "secret") {
			t.Errorf("%v: exit code %d, %q", args, code, messages)
		}
	}
}

// A service that is away is said to be so once and at the end, in plain words.
func TestAServiceThatIsAwayIsSaidOnce(t *testing.T) {
	t.Setenv("CREEPAGE_KEY", "ck_x")
	_, messages, code := run(t, "export", "readings", "--out", filepath.Join(t.TempDir(), "x.csv"), "--server", "http://127.0.0.1:1", "--give-up-after", "2s")
	if code != exitFailed || strings.Count(messages, "was not reached") != 2 || !strings.Contains(messages, "waiting for up to 2s: http://127.0.0.1:1 was not reached") || strings.Contains(messages, "rpc error") {
		t.Errorf("exit code %d\n%s", code, messages)
	}
	if _, messages, _ := run(t, "bench", "plan", "--vehicle", "van-07", "--server", "http://127.0.0.1:1"); !strings.HasPrefix(messages, "http://127.0.0.1:1 was not reached") {
		t.Errorf("%q", messages)
	}
}

func TestEveryCommandExplainsItselfWithAnExample(t *testing.T) {
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		if c.Name() == "help" || c.Name() == "completion" || c.Parent() != nil && c.Parent().Name() == "completion" {
			return
		}
		if c.Short == "" || !strings.Contains(c.Example, "creepage") {
			t.Errorf("%s: no short description or no example", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	check(rootCommand())
	help, _, code := run(t, "--help")
	if code != 0 || !strings.Contains(help, "High voltage kills") || !strings.Contains(help, "Exit codes") {
		t.Errorf("exit code %d, help:\n%s", code, help)
	}
}

func TestADryRunSaysWhatWouldBeRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.csv")
	text := "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct,remark\n" +
		"r-1,north-yard,truck-1,van-400,2026-03-02T09:15:00Z,tester,motor,phase_u,chassis,,>550M,500,60,21,48,fine\n" +
		"r-2,north-yard,truck-1,van-400,2026-03-02T09:15:00Z,tester,motor,phase_u,chassis,,OL,500,60,21,48,no range\n" +
		"r-3,north-yard,truck-1,van-400,2099-03-02T09:15:00Z,tester,motor,phase_u,chassis,,1M,500,60,21,48,not yet\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	const refused = "rows that an import before refused"
	if err := os.WriteFile(path+".rejects.csv", []byte(refused), 0o600); err != nil {
		t.Fatal(err)
	}
	out, messages, code := run(t, "import", path, "--dry-run")
	if code != exitRejects || !strings.Contains(out, "3 readings: 1 could be sent, 2 would be refused") || !strings.Contains(messages, "left out: remark") ||
		!strings.Contains(messages, "2 readings would be refused; their rows are in "+path+".dry-run.rejects.csv") {
		t.Errorf("exit code %d\n%s%s", code, out, messages)
	}
	if kept, err := os.ReadFile(path + ".rejects.csv"); err != nil || string(kept) != refused {
		t.Errorf("the rows that were refused before are gone: %v\n%s", err, kept)
	}
	rejects, err := os.ReadFile(path + ".dry-run.rejects.csv")
	if err != nil || !strings.Contains(string(rejects), "range_ohm") || !strings.Contains(string(rejects), "measure_time") {
		t.Errorf("rejects: %v\n%s", err, rejects)
	}
}

func TestWithoutAKeyOrAnAddressNothingIsSent(t *testing.T) {
	t.Setenv("CREEPAGE_KEY", "")
	path := filepath.Join(t.TempDir(), "old.csv")
	header := "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct\n"
	if err := os.WriteFile(path, []byte(header), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, messages, code := run(t, "import", path, "--server", "http://127.0.0.1:1"); code != exitUsage || !strings.Contains(messages, "--key-file") {
		t.Errorf("exit code %d, %q", code, messages)
	}
	t.Setenv("CREEPAGE_KEY", "ck_x")
	if _, messages, code := run(t, "import", path); code != exitUsage || !strings.Contains(messages, "--server is missing") {
		t.Errorf("exit code %d, %q", code, messages)
	}
	if _, messages, code := run(t, "import", path, "--server", "127.0.0.1:1"); code != exitUsage || !strings.Contains(messages, "http://localhost:8080") {
		t.Errorf("exit code %d, %q", code, messages)
	}
}
