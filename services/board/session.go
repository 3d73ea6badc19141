package board

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
)

const (
	cookieName = "creepage_session"
	// sessionLife is a working week; a key that is revoked ends it within
	// seconds, for every page asks the API with it.
	sessionLife = 5 * 24 * time.Hour
)

// session is who is signed in. It travels sealed in the cookie: any process
// that knows the secret can open it, none has to keep it.
type session struct {
	Key     string    `json:"k"` // secret of the key
	Token   string    `json:"t"` // carried by every form
	Expires time.Time `json:"e"`
}

type sessions struct {
	seal   cipher.AEAD
	secure bool
}

func newSessions(secret []byte, secure bool) (*sessions, error) {
	if len(secret) != 32 {
		return nil, fmt.Errorf("session secret: %d bytes, must be 32", len(secret))
	}
	block, err := aes.NewCipher(secret)
	if err != nil {
		return nil, fmt.Errorf("session secret: %w", err)
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("session secret: %w", err)
	}
	return &sessions{seal: seal, secure: secure}, nil
}

func (s *sessions) start(w http.ResponseWriter, key string, now time.Time) error {
	plain, err := json.Marshal(session{Key: key, Token: rand.Text(), Expires: now.Add(sessionLife)})
	if err != nil {
		return fmt.Errorf("write the session: %w", err)
	}
	sealed := s.seal.Seal(nil, nil, plain, []byte(cookieName))
	http.SetCookie(w, s.cookie(base64.RawURLEncoding.EncodeToString(sealed), int(sessionLife.Seconds())))
	return nil
}

func (s *sessions) end(w http.ResponseWriter) { http.SetCookie(w, s.cookie("", -1)) }

func (s *sessions) cookie(value string, age int) *http.Cookie {
	return &http.Cookie{Name: cookieName, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode}
}

// of returns the session of a request, nil when there is none that holds.
func (s *sessions) of(r *http.Request, now time.Time) *session {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil
	}
	sealed, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil {
		return nil
	}
	plain, err := s.seal.Open(nil, nil, sealed, []byte(cookieName))
	if err != nil {
		return nil
	}
	var v session
	if json.Unmarshal(plain, &v) != nil || !now.Before(v.Expires) {
		return nil
	}
	return &v
}

func withKey(ctx context.Context, key string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+key)
}

// visitor is a signed-in request: who asks and with which rights.
type visitor struct {
	Caller *creepagev1.Caller
	Token  string
}

func (v *visitor) role() creepagev1.Key_Role { return v.Caller.GetKey().GetRole() }

// May says whether the key may do something, so that pages offer only that.
func (v *visitor) May(what string) bool {
	if v == nil {
		return false
	}
	role := v.role()
	switch what {
	case "read":
		return role == creepagev1.Key_FLEET || role == creepagev1.Key_ANALYST || role == creepagev1.Key_ADMINISTRATOR
	case "keep":
		return role == creepagev1.Key_FLEET || role == creepagev1.Key_ADMINISTRATOR
	case "submit":
		return role == creepagev1.Key_SHOP || role == creepagev1.Key_ADMINISTRATOR
	case "administer":
		return role == creepagev1.Key_ADMINISTRATOR
	}
	return false
}

// signedIn lets only signed-in people through, asks the API who they are, puts
// their key on the calls made for them, and checks the token of a post.
func (b *Board) signedIn(next func(http.ResponseWriter, *http.Request, *visitor)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s := b.sessions.of(r, b.now())
		if s == nil {
			b.askToSignIn(w, r)
			return
		}
		if r.Method == http.MethodPost && subtle.ConstantTimeCompare([]byte(r.PostFormValue("token")), []byte(s.Token)) != 1 {
			b.fail(w, r, nil, http.StatusForbidden, "This form is out of date.", "Go back, load the page anew and send it again. Nothing was changed.")
			return
		}
		ctx := withKey(r.Context(), s.Key)
		caller, err := b.access.GetCaller(ctx, &creepagev1.GetCallerRequest{})
		if status.Code(err) == codes.Unauthenticated {
			b.sessions.end(w)
			b.askToSignIn(w, r)
			return
		}
		if err != nil {
			b.failWith(w, r, nil, err)
			return
		}
		next(w, r.WithContext(ctx), &visitor{Caller: caller, Token: s.Token})
	}
}

func (b *Board) askToSignIn(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet || strings.Contains(r.Header.Get("Accept"), "application/json") {
		b.fail(w, r, nil, http.StatusUnauthorized, "You are signed out.", "Sign in again and repeat what you did. Nothing was changed.")
		return
	}
	http.Redirect(w, r, "/signin?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
}

type signInPage struct{ To, Problem string }

func (b *Board) showSignIn(w http.ResponseWriter, r *http.Request) {
	b.render(w, r, http.StatusOK, "signin", "Sign in", nil, signInPage{To: ownPath(r.FormValue("to"))})
}

func (b *Board) signIn(w http.ResponseWriter, r *http.Request) {
	key, to := strings.TrimSpace(r.PostFormValue("key")), ownPath(r.PostFormValue("to"))
	_, err := b.access.GetCaller(withKey(r.Context(), key), &creepagev1.GetCallerRequest{})
	if code := status.Code(err); key == "" || code == codes.Unauthenticated {
		b.render(w, r, http.StatusUnauthorized, "signin", "Sign in", nil, signInPage{To: to, Problem: "This key is not known, has expired or was revoked."})
		return
	}
	if err != nil {
		b.failWith(w, r, nil, err)
		return
	}
	if err := b.sessions.start(w, key, b.now()); err != nil {
		b.failWith(w, r, nil, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (b *Board) signOut(w http.ResponseWriter, r *http.Request, _ *visitor) {
	b.sessions.end(w)
	http.Redirect(w, r, "/signin", http.StatusSeeOther)
}

// ownPath keeps a path of this host and turns anything else into the first page.
func ownPath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return to
}
