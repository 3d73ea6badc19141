package sheet

import "github.com/agnivade/levenshtein"

// nearest returns the candidate that differs least from a word, if it differs
// by so little that a slip of the pen is likely: at most a third of the letters.
func nearest(word string, candidates []string) string {
	best, bestDistance := "", len(word)/3+1
	for _, c := range candidates {
		if d := levenshtein.ComputeDistance(word, c); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}
