package benchwork_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"creepage/internal/benchwork"
	"creepage/internal/record"
)

var made = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "sheet.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	cmd := exec.Command("pdftotext", "-layout", file, "-")
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("pdftotext (Debian: poppler-utils): %v\n%s", err, errs.String())
	}
	return out.String()
}

func TestThePlanOfEveryDemoPlatformFitsOnOnePage(t *testing.T) {
	f, err := os.Open("../../testdata/demo/platforms.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	platforms, err := record.ReadPlatforms(f, "platforms.json")
	if err != nil {
		t.Fatal(err)
	}
	for i := range platforms {
		p := &platforms[i]
		pdf, err := benchwork.PlanDocument(p, made).PDF()
		if err != nil {
			t.Fatal(err)
		}
		text := pdfText(t, pdf)
		if !strings.Contains(text, "page 1 of 1") {
			t.Errorf("the plan of %s with %d points takes more than a page", p.ID, len(p.Points))
		}
		for _, want := range []string{"Test points, in this order", "High voltage kills", "prove zero volts again"} {
			if !strings.Contains(text, want) {
				t.Errorf("the plan of %s lacks %q", p.ID, want)
			}
		}
	}
}
