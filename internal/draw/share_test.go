package draw_test

import (
	"testing"

	"creepage/internal/draw"
)

func TestASharesMarksLieInOrderAlongItsLine(t *testing.T) {
	x := map[string]float64{}
	for _, e := range parse(t, draw.ShareSpan(0.1, 0.25, 0.5, 0.75)) {
		switch e.attrs["class"] {
		case "here":
			x["share"] = number(t, e.attrs["cx"])
		case "interval":
			x["low"], x["high"] = number(t, e.attrs["x1"]), number(t, e.attrs["x2"])
		case "elsewhere":
			x["elsewhere"] = number(t, e.attrs["x1"])
		case "base":
			x["0"], x["1"] = number(t, e.attrs["x1"]), number(t, e.attrs["x2"])
		}
	}
	for name, share := range map[string]float64{"low": 0.1, "share": 0.25, "high": 0.5, "elsewhere": 0.75} {
		if got := (x[name] - x["0"]) / (x["1"] - x["0"]); got < share-0.01 || got > share+0.01 {
			t.Errorf("%s lies at %.2f of the line, want %.2f", name, got, share)
		}
	}
	for _, e := range parse(t, draw.ShareSpan(0, 0, 0.3, -1)) {
		if e.attrs["class"] == "elsewhere" {
			t.Error("a share elsewhere is drawn where there is none")
		}
	}
}
