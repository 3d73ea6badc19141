package board

import (
	"net/http/httptest"
	"testing"
)

func TestACookieIsForTLSAloneWhereTheOperatorSaysSoOrATrustedProxyDoes(t *testing.T) {
	for _, c := range []struct {
		settings Cookies
		header   string
		want     bool
	}{
		{Cookies{}, "", false},
		{Cookies{}, "https", false}, // anybody can send a header
		{Cookies{Secure: true}, "", true},
		{Cookies{TrustForwardedProto: true}, "", false},
		{Cookies{TrustForwardedProto: true}, "http", false},
		{Cookies{TrustForwardedProto: true}, "https", true},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		if c.header != "" {
			r.Header.Set("X-Forwarded-Proto", c.header)
		}
		s := &sessions{cookies: c.settings}
		if got := s.cookie(r, "id", 60); got.Secure != c.want || !got.HttpOnly {
			t.Errorf("%+v with header %q: %v", c.settings, c.header, got)
		}
	}
}
