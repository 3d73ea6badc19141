package filter

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var fields = Fields{
	{Name: "state", Kind: Word, Words: []string{"steady", "due"}},
	{Name: "platform", Kind: Name, Collection: "platforms"},
	{Name: "code_probability_90d", Kind: Number},
	{Name: "raise_time", Kind: Time},
	{Name: "standing", Kind: Flag},
	{Name: "visit", Kind: Text},
}

func TestFiltersBecomeTrees(t *testing.T) {
	march := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)
	due := &Expression{Op: Equal, Field: "state", Value: "due"}
	for text, want := range map[string]*Expression{
		"":            nil,
		"  ":          nil,
		"state = DUE": due,
		"state = due": due,
		`state = "DUE" AND code_probability_90d > 0.25`: {Op: And, Kids: []*Expression{due, {Op: Greater, Field: "code_probability_90d", Value: 0.25}}},
		"state = DUE code_probability_90d >= 1":         {Op: And, Kids: []*Expression{due, {Op: GreaterEqual, Field: "code_probability_90d", Value: 1.0}}},
		`platform = "platforms/harbor-van-400"`:         {Op: Equal, Field: "platform", Value: "harbor-van-400"},
		`platform != "harbor-van-400"`:                  {Op: NotEqual, Field: "platform", Value: "harbor-van-400"},
		`raise_time < "2026-03-02T09:15:00Z"`:           {Op: Less, Field: "raise_time", Value: march},
		"standing":                                      {Op: Equal, Field: "standing", Value: true},
		"standing = false":                              {Op: Equal, Field: "standing", Value: false},
		"NOT (standing OR state = DUE)": {Op: Not, Kids: []*Expression{{Op: Or, Kids: []*Expression{
			{Op: Equal, Field: "standing", Value: true}, due}}}},
		`visit = "2026-03-02-17"`: {Op: Equal, Field: "visit", Value: "2026-03-02-17"},
	} {
		got, err := fields.Parse(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
}

func TestAWrongFilterNamesWhatIsWrongAndWhatIsAllowed(t *testing.T) {
	for text, want := range map[string]string{
		"colour = red":                   "colour is not a field of this list; allowed are state, platform",
		"state = RED":                    `"RED" is none of STEADY, DUE`,
		"state > DUE":                    "state has no order; allowed are = and !=",
		"state":                          "state needs an operator and a value",
		`state = "DUE`:                   "unterminated string",
		"code_probability_90d > high":    `"high" is not a number`,
		"raise_time > 2026":              "RFC 3339",
		`platform = "shops/x"`:           `"platforms/..."`,
		"standing = maybe":               "neither true nor false",
		strings.Repeat("standing ", 100): "more than 50 terms",
		"(":                              "cannot be read",
		"state =":                        "it ends where more must follow; want a field, one of",
	} {
		_, err := fields.Parse(text)
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "filter: ") {
			t.Errorf("%q: got error %v, want one with %q", text, err, want)
		}
	}
}

func TestOrdersNameAllowedFieldsOnce(t *testing.T) {
	allowed := []string{"code_probability_90d", "vehicle"}
	got, err := ParseOrder("code_probability_90d desc, vehicle", allowed)
	want := []Order{{Field: "code_probability_90d", Descending: true}, {Field: "vehicle"}}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("err %v (-want +got):\n%s", err, diff)
	}
	for _, text := range []string{"colour", "vehicle, vehicle desc", "vehicle downwards", "vehicle;"} {
		if _, err := ParseOrder(text, allowed); err == nil || !strings.HasPrefix(err.Error(), "order_by: ") {
			t.Errorf("%q: got error %v, want one naming order_by", text, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"state = DUE", `NOT (platform = "a" OR standing)`, `raise_time < "2026-03-02T09:15:00Z"`, "-standing", "a.b = 1", `visit = "\u00`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		e, err := fields.Parse(text)
		if err != nil && e != nil {
			t.Fatalf("%q gave both a tree and the error %v", text, err)
		}
	})
}
