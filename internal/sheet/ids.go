package sheet

import "strings"

// idColumns hold names that the service knows as ids.
var idColumns = []string{"shop", "vehicle", "platform", "meter"}

var writtenOut = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "é", "e", "è", "e", "ç", "c", "å", "a", "ø", "oe", "æ", "ae")

// idOf makes an id of what a shop writes: LKW 17 becomes lkw-17. Lower case, with
// one hyphen for whatever an id cannot hold.
func idOf(text string) string {
	var id strings.Builder
	gap := false
	for _, r := range writtenOut.Replace(strings.ToLower(strings.TrimSpace(text))) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '.' || r == '_' || r == '-' {
			if gap && id.Len() > 0 {
				id.WriteByte('-')
			}
			gap = false
			id.WriteRune(r)
			continue
		}
		gap = true
	}
	return id.String()
}
