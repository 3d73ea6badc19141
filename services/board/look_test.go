package board_test

import (
	"fmt"
	"testing"
)

// pagesToLookAt are all pages, by the name of their picture.
var pagesToLookAt = []struct{ name, path string }{
	{"first", "/"}, {"vehicle", "/vehicles/van-02"}, {"vehicle-tester", "/vehicles/van-06"}, {"visit", "/visit?vehicle=van-02"}, {"visit-start", "/visit"},
	{"shops", "/shops"}, {"fleet", "/fleet"}, {"readings", "/vehicles/van-02/readings"}, {"keys", "/keys"}, {"webhooks", "/webhooks"}, {"help", "/help"}, {"missing", "/vehicles/none"},
}

func TestPagesFitEveryWidthInBothSchemes(t *testing.T) {
	b := browse(t)
	b.open("/signin")
	b.shot("signin")
	b.signIn(here.adminKey)
	for _, scheme := range []string{"light", "dark"} {
		b.scheme(scheme)
		for _, width := range []int64{360, 1024, 1600} {
			b.size(width, 900)
			for _, p := range pagesToLookAt {
				b.open(p.path)
				b.shot(fmt.Sprintf("%s-%d-%s", p.name, width, scheme))
				if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
					t.Errorf("%s is %d px too wide at %d", p.path, over, width)
				}
			}
		}
	}
	b.quiet("404 (Not Found)")
}
