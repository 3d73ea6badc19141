package benchwork

import (
	"errors"
	"strings"

	"creepage/internal/insulation"
)

// asFields gives the domain's violations the paths of the contract: each
// prefix of a path that is renamed is exchanged, longest first.
func asFields(err error, renamed map[string]string) error {
	var violations insulation.Violations
	if !errors.As(err, &violations) {
		return err
	}
	out := make(insulation.Violations, len(violations))
	for i, v := range violations {
		best := ""
		for from := range renamed {
			if len(from) > len(best) && (v.Field == from || strings.HasPrefix(v.Field, from+".") || strings.HasPrefix(v.Field, from+"[") || strings.HasSuffix(v.Field, "."+from)) {
				best = from
			}
		}
		if best != "" {
			v.Field = strings.Replace(v.Field, best, renamed[best], 1)
		}
		out[i] = v
	}
	return out
}
