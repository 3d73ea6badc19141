//go:build crosscheck

package locate_test

import (
	"encoding/json"
	"flag"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"creepage/internal/locate"
)

var seed = flag.Uint64("seed", 0, "seed of the random problems; 0: another one every time")

// Random problems, other ones every time, solved by scipy.optimize.nnls (Debian's python3-scipy), which
// must be installed.
func TestCrosscheckNonNegativeLeastSquaresWithSciPy(t *testing.T) {
	const script = "import json,sys\nfrom scipy.optimize import nnls\nprint(json.dumps([[list(x),r] for x,r in (nnls(p['a'],p['b']) for p in json.load(sys.stdin))]))"
	type problem struct {
		A [][]float64 `json:"a"`
		B []float64   `json:"b"`
	}
	for *seed == 0 {
		*seed = rand.Uint64()
	}
	t.Logf("seed %d; again: go test -tags crosscheck ./internal/locate -run '^%s$' -seed %d", *seed, t.Name(), *seed)
	random := rand.New(rand.NewPCG(*seed, 3))
	var problems []problem
	for range 200 {
		n, rows := 2+random.IntN(8), 10+random.IntN(10)
		p := problem{A: make([][]float64, rows), B: make([]float64, rows)}
		for i := range rows {
			p.A[i] = make([]float64, n)
			for j := range n {
				p.A[i][j] = math.Round(random.Float64()) * (1 + random.Float64())
			}
			p.B[i] = random.NormFloat64() + 1
		}
		problems = append(problems, p)
	}
	input, err := json.Marshal(problems)
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command("/usr/bin/python3", "-c", script)
	command.Stdin = strings.NewReader(string(input))
	output, err := command.Output()
	if err != nil {
		t.Fatalf("python3 with scipy (Debian: apt-get install python3-scipy): %v", err)
	}
	var solutions [][2]json.RawMessage
	if err := json.Unmarshal(output, &solutions); err != nil {
		t.Fatal(err)
	}
	for k, p := range problems {
		var x []float64
		var norm float64
		if json.Unmarshal(solutions[k][0], &x) != nil || json.Unmarshal(solutions[k][1], &norm) != nil {
			t.Fatal("scipy's answer cannot be read")
		}
		got, residual := locate.NonNegativeLeastSquares(p.A, p.B)
		if math.Abs(residual-norm) > 1e-9 {
			t.Errorf("problem %d: residual %v, scipy %v", k, residual, norm)
		}
		for j := range x {
			if math.Abs(got[j]-x[j]) > 1e-7 {
				t.Errorf("problem %d: %v, scipy %v", k, got, x)
				break
			}
		}
	}
}
