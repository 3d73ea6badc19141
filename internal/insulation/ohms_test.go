package insulation_test

import (
	"math"
	"strings"
	"testing"

	"creepage/internal/insulation"
	"pgregory.net/rapid"
)

func TestParseResistanceReadsWhatPeopleWrite(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		text     string
		top      float64
		relation insulation.Relation
		ohms     float64
	}{
		{"550 MΩ", nan, insulation.Equal, 550e6},      // U+03A9, Greek capital omega
		{"550 M\u2126", nan, insulation.Equal, 550e6}, // U+2126, ohm sign
		{">550M", nan, insulation.Above, 550e6},
		{"> 550 MOhm", nan, insulation.Above, 550e6},
		{"≥2.2 G", nan, insulation.Above, 2.2e9},
		{">=2.2G", nan, insulation.Above, 2.2e9},
		{"0.42 G", nan, insulation.Equal, 0.42e9},
		{"0,42 GΩ", nan, insulation.Equal, 0.42e9},
		{"0,420 GΩ", nan, insulation.Equal, 0.42e9},
		{"1,5 gigohm", nan, insulation.Equal, 1.5e9},
		{"<0.01 M", nan, insulation.Below, 1e4},
		{"≤ 10 kohm", nan, insulation.Below, 1e4},
		{"=12 kΩ", nan, insulation.Equal, 12e3},
		{"12 kilohms", nan, insulation.Equal, 12e3},
		{"12KOHM", nan, insulation.Equal, 12e3},
		{"12 MOHM", nan, insulation.Equal, 12e6},
		{"250000", nan, insulation.Equal, 250000},
		{"250 000 ohms", nan, insulation.Equal, 250000},
		{"250\u00a0000 Ω", nan, insulation.Equal, 250000},
		{"1,500,000", nan, insulation.Equal, 1.5e6},
		{"1,500.5 k", nan, insulation.Equal, 1500.5e3},
		{"1.500,5 k", nan, insulation.Equal, 1500.5e3},
		{"1.500.000 Ω", nan, insulation.Equal, 1.5e6},
		{"5.5e8", nan, insulation.Equal, 5.5e8},
		{"5.5E+2 M", nan, insulation.Equal, 5.5e8},
		{"4M7", nan, insulation.Equal, 4.7e6}, // IEC 60062
		{"2G2Ω", nan, insulation.Equal, 2.2e9},
		{"470R", nan, insulation.Equal, 470},
		{"550 meg", nan, insulation.Equal, 550e6},
		{"550 megohms", nan, insulation.Equal, 550e6},
		{"1 teraohm", nan, insulation.Equal, 1e12},
		{"OL", 550e6, insulation.Above, 550e6},
		{"O.L.", 2e9, insulation.Above, 2e9},
		{"inf", 2e9, insulation.Above, 2e9},
		{"∞", 2e9, insulation.Above, 2e9},
		{">OL", 2e9, insulation.Above, 2e9},
	} {
		relation, ohms, err := insulation.ParseResistance(c.text, c.top)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if relation != c.relation || math.Abs(ohms/c.ohms-1) > 1e-12 {
			t.Errorf("%q: got %v %v, want %v %v", c.text, relation, ohms, c.relation, c.ohms)
		}
	}
}

func TestParseResistanceSaysWhatIsWrong(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		text string
		top  float64
		says string
	}{
		{"", nan, "empty"},
		{"OL", nan, "range_ohm"},
		{"OL", -1, "range_ohm -1"},
		{"<OL", 1e9, "cannot be below"},
		{"550 mohm", nan, "m means milli"},
		{"550 m", nan, "m means milli"},
		{"550 mΩ", nan, "m means milli"},
		{"550 volts", nan, `unit "volts"`},
		{"1,500 k", nan, "may mean 1.500 or 1500"},
		{"0", nan, "shows zero"},
		{"0.00 MΩ", nan, "shows zero"},
		{"-5 M", nan, "greater than zero"},
		{"−5 M", nan, "greater than zero"},
		{"good", nan, "no number"},
		{"MΩ", nan, "no number"},
		{"1.2.3 M", nan, "not a number"},
		{"1,2,3 M", nan, "not a number"},
		{"1 5 M", nan, "not a number"},
		{"1e30", nan, "outside"},
		{"1e999", nan, "not a number"},
		{">", nan, "range_ohm"},
		{"nan", nan, "no number"},
	} {
		relation, ohms, err := insulation.ParseResistance(c.text, c.top)
		if err == nil {
			t.Errorf("%q: read as %v %v, want an error saying %q", c.text, relation, ohms, c.says)
			continue
		}
		if !strings.Contains(err.Error(), c.says) || c.text != "" && !strings.Contains(err.Error(), strings.Trim(c.text, "−")) || !strings.Contains(err.Error(), "allowed is") {
			t.Errorf("%q: error %q does not say %q with the value and what is allowed", c.text, err, c.says)
		}
	}
}

func TestFormatOhmsRoundsToThreeDigits(t *testing.T) {
	for _, c := range []struct {
		ohms float64
		want string
	}{
		{550e6, "550 MΩ"}, {0.42e9, "420 MΩ"}, {1.5e9, "1.5 GΩ"}, {24321, "24.3 kΩ"}, {999.6e3, "1 MΩ"}, {999.4e3, "999 kΩ"},
		{470, "470 Ω"}, {0.5, "0.5 Ω"}, {1e12, "1 TΩ"}, {1e15, "1000 TΩ"}, {1234567, "1.23 MΩ"}, {math.NaN(), "not stated"}, {math.Inf(1), "infinite"},
	} {
		if got := insulation.FormatOhms(c.ohms); got != c.want {
			t.Errorf("%v: %q, want %q", c.ohms, got, c.want)
		}
	}
	if got := insulation.FormatResistance(insulation.Above, 550e6); got != ">550 MΩ" {
		t.Errorf("over-range: %q", got)
	}
}

func TestFormattedResistanceReadsBackToThreeDigits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ohms := math.Pow(10, rapid.Float64Range(-1.9, 14.9).Draw(t, "level"))
		relation := rapid.SampledFrom([]insulation.Relation{insulation.Equal, insulation.Above, insulation.Below}).Draw(t, "relation")
		text := insulation.FormatResistance(relation, ohms)
		gotRelation, got, err := insulation.ParseResistance(text, math.NaN())
		if err != nil || gotRelation != relation || math.Abs(got/ohms-1) > 0.00501 {
			t.Fatalf("%v %v written %q, read %v %v, %v", relation, ohms, text, gotRelation, got, err)
		}
	})
}

func FuzzParseResistance(f *testing.F) {
	for _, s := range []string{"550 MΩ", ">550M", "0,42 GΩ", "OL", "<0.01 M", "4M7", "1.500.000 Ω", "1 500 k", "5.5e8", "\xff", "> ", "9e", "1,,2", "0x1p-2", "e5", ".", ",", "1e-", ". 5", "5 .", "1\x00000M"} {
		f.Add(s, 5.5e8)
	}
	f.Fuzz(func(t *testing.T, s string, top float64) {
		relation, ohms, err := insulation.ParseResistance(s, top)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if relation.String() == "" || !(ohms >= insulation.MinOhms && ohms <= insulation.MaxOhms) {
			t.Fatalf("%q read as %v %v", s, relation, ohms)
		}
	})
}
