package demo

import (
	"io"
	"slices"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

func read[T any](name string, parse func(io.Reader, string) (T, error)) (T, error) {
	f, err := files.Open(name)
	if err != nil {
		var none T
		return none, err
	}
	defer f.Close()
	return parse(f, name)
}

// rows takes a table of which every row is good.
func rows[T any](parse func(io.Reader, string) ([]T, []*record.RowError, error)) func(io.Reader, string) ([]T, error) {
	return func(r io.Reader, name string) ([]T, error) {
		good, bad, err := parse(r, name)
		if err == nil && len(bad) > 0 {
			err = bad[0]
		}
		return good, err
	}
}

func shopsOf(readings []insulation.Reading) []string {
	var shops []string
	for i := range readings {
		if s := readings[i].Shop; s != "" && !slices.Contains(shops, s) {
			shops = append(shops, s)
		}
	}
	slices.Sort(shops)
	return shops
}
