package filter

import "strings"

// WordsOf lists an enum's words in lower case, without the unspecified one,
// given its names by number.
func WordsOf(names map[int32]string) []string {
	words := make([]string, 0, len(names))
	for i := int32(1); int(i) < len(names); i++ {
		words = append(words, strings.ToLower(names[i]))
	}
	return words
}
