package record

import (
	"encoding/json"
	"fmt"
	"io"

	"creepage/internal/insulation"
)

type platformFile struct {
	Platforms []platform `json:"platforms"`
}

type platform struct {
	Platform       string  `json:"platform"`
	Title          string  `json:"title"`
	MaxWorkingVolt float64 `json:"max_working_volt"`
	CodeOhm        float64 `json:"code_ohm,omitempty"`
	CodeQuantity   string  `json:"code_quantity,omitempty"`
	Points         []point `json:"points"`
}

type point struct {
	Component string  `json:"component"`
	Conductor string  `json:"conductor"`
	Reference string  `json:"reference"`
	LimitOhm  float64 `json:"limit_ohm"`
	TestVolt  float64 `json:"test_volt"`
}

// ReadPlatforms reads platforms.json. An error names the platform, the field and the value. Records of what was done are read
// whatever their voltages; who makes a plan of a test from them asks insulation.Platform.Plannable.
func ReadPlatforms(r io.Reader, file string) ([]insulation.Platform, error) {
	var f platformFile
	if err := DecodeJSON(r, &f, false); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	seen := make(map[string]bool, len(f.Platforms))
	out := make([]insulation.Platform, 0, len(f.Platforms))
	for i := range f.Platforms {
		p, err := f.Platforms[i].domain()
		if err != nil {
			return nil, fmt.Errorf("%s: platforms[%d] %q: %w", file, i, f.Platforms[i].Platform, err)
		}
		if seen[p.ID] {
			return nil, fmt.Errorf("%s: platforms[%d]: platform %q stands twice", file, i, p.ID)
		}
		seen[p.ID] = true
		out = append(out, p)
	}
	return out, nil
}

func (p *platform) domain() (insulation.Platform, error) {
	out := insulation.Platform{ID: p.Platform, Title: p.Title, MaxWorkingVolts: p.MaxWorkingVolt, CodeOhms: p.CodeOhm, CodeQuantity: insulation.Parallel}
	switch {
	case p.Platform == "":
		return out, &FieldError{Field: "platform", Want: "a platform id"}
	case !(p.MaxWorkingVolt > 0):
		return out, &FieldError{Field: "max_working_volt", Value: formatNumber(p.MaxWorkingVolt), Want: "volts above 0"}
	case p.CodeOhm < 0:
		return out, &FieldError{Field: "code_ohm", Value: formatNumber(p.CodeOhm), Want: fmt.Sprintf("ohms above 0, or none for %v ohm per volt", insulation.DefaultCodeOhmsPerVolt)}
	}
	if p.CodeQuantity != "" {
		q, err := insulation.ParseQuantity(p.CodeQuantity)
		if err != nil {
			return out, fmt.Errorf("code_quantity: %w", err)
		}
		out.CodeQuantity = q
	}
	for i := range p.Points {
		q, err := p.Points[i].domain()
		if err != nil {
			return out, fmt.Errorf("points[%d]: %w", i, err)
		}
		out.Points = append(out.Points, q)
	}
	return out, nil
}

func (p *point) domain() (insulation.Point, error) {
	c, err := insulation.ParseComponent(p.Component)
	if err != nil {
		return insulation.Point{}, err
	}
	w, err := insulation.ParseConductor(p.Conductor)
	if err != nil {
		return insulation.Point{}, err
	}
	ref, err := insulation.ParseReference(p.Reference)
	if err != nil {
		return insulation.Point{}, err
	}
	if !(p.LimitOhm > 0) {
		return insulation.Point{}, &FieldError{Field: "limit_ohm", Value: formatNumber(p.LimitOhm), Want: "ohms above 0"}
	}
	return insulation.Point{Component: c, Conductor: w, Reference: ref, LimitOhms: p.LimitOhm, TestVolts: p.TestVolt}, nil
}

// WritePlatforms writes platforms.json.
func WritePlatforms(w io.Writer, platforms []insulation.Platform) error {
	f := platformFile{Platforms: make([]platform, 0, len(platforms))}
	for i := range platforms {
		p := &platforms[i]
		out := platform{Platform: p.ID, Title: p.Title, MaxWorkingVolt: p.MaxWorkingVolts, CodeOhm: p.CodeOhms, CodeQuantity: p.CodeQuantityOrDefault().String()}
		for _, q := range p.Points {
			out.Points = append(out.Points, point{q.Component.String(), q.Conductor.String(), q.Reference.String(), q.LimitOhms, q.TestVolts})
		}
		f.Platforms = append(f.Platforms, out)
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(f)
}
