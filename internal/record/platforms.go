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

// ReadPlatforms reads platforms.json. An error names the platform, the field and the value.
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
	case !within(p.MaxWorkingVolt, insulation.MinWorkingVolts, insulation.MaxWorkingVolts):
		return out, &FieldError{Field: "max_working_volt", Value: formatNumber(p.MaxWorkingVolt), Want: fmt.Sprintf("%v to %v", insulation.MinWorkingVolts, insulation.MaxWorkingVolts)}
	case p.CodeOhm != 0 && !within(p.CodeOhm, insulation.MinCodeOhms, insulation.MaxCodeOhms):
		return out, &FieldError{Field: "code_ohm", Value: formatNumber(p.CodeOhm),
			Want: fmt.Sprintf("%v to %v, or none for %v ohm per volt", insulation.MinCodeOhms, insulation.MaxCodeOhms, insulation.DefaultCodeOhmsPerVolt)}
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
	if !within(p.LimitOhm, insulation.MinLimitOhms, insulation.MaxLimitOhms) {
		return insulation.Point{}, &FieldError{Field: "limit_ohm", Value: formatNumber(p.LimitOhm), Want: fmt.Sprintf("%v to %v", insulation.MinLimitOhms, insulation.MaxLimitOhms)}
	}
	if p.TestVolt != 0 && !within(p.TestVolt, insulation.MinPlatformTestVolts, insulation.MaxPlatformTestVolts) {
		return insulation.Point{}, &FieldError{Field: "test_volt", Value: formatNumber(p.TestVolt),
			Want: fmt.Sprintf("%v to %v, or none for 500 V up to 500 V working voltage and 1000 V above", insulation.MinPlatformTestVolts, insulation.MaxPlatformTestVolts)}
	}
	return insulation.Point{Component: c, Conductor: w, Reference: ref, LimitOhms: p.LimitOhm, TestVolts: p.TestVolt}, nil
}

func within(v, low, high float64) bool { return v >= low && v <= high }

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
