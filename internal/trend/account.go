package trend

import "strings"

// Account is an outlook's reason in its parts. A reason is one text, for it is
// read, stored and sent as one; who shows some of it elsewhere takes it apart.
type Account struct {
	What    string // what is going on: a sentence without its full stop
	Chance  string // of the code, and by when; empty where What says it all
	Also    string // sentences on the monitor and on readings that are doubted
	Measure string // a sentence on what to measure by when
}

const (
	chanceWords  = "the chance of the isolation code within "
	measureWords = "Measure the "
)

// String is the reason.
func (a Account) String() string {
	s := a.What
	if a.Chance != "" {
		s += "; " + a.Chance
	}
	s += "."
	for _, more := range []string{a.Also, a.Measure} {
		if more != "" {
			s += " " + more
		}
	}
	return s
}

// TakeApart is the inverse of String for whatever an outlook's reason says; a text
// of another kind is What as far as its first full stop, and Also from there on.
func TakeApart(reason string) Account {
	var a Account
	if i := strings.LastIndex(reason, ". "+measureWords); i >= 0 {
		reason, a.Measure = reason[:i+1], reason[i+2:]
	}
	first, also, more := strings.Cut(reason, ". ")
	if a.Also = also; !more {
		first = strings.TrimSuffix(first, ".")
	}
	a.What = first
	if i := strings.Index(first, "; "+chanceWords); i >= 0 {
		a.What, a.Chance = first[:i], first[i+2:]
	}
	return a
}
