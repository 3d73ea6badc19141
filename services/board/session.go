package board

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

const (
	cookieName = "creepage_session"
	// sessionLife is a working week; a key that is revoked ends it within
	// seconds, for every page asks the API with it.
	sessionLife = 5 * 24 * time.Hour
	idBytes     = 32
)

// session is who is signed in.
type session struct {
	kept  store.Session
	key   string // secret of the key
	token string // carried by every form
}

// sessions keeps them in the database. The cookie's id is random and nowhere
// else: the database holds its hash and the key sealed under it, so that
// neither a copy of the table nor a cookie of an ended session opens anything.
type sessions struct {
	store   *store.Store
	cookies Cookies
}

// derive makes a 32-byte secret of a session's id for one purpose.
func derive(id []byte, purpose string) ([]byte, error) {
	return hkdf.Key(sha256.New, id, nil, "creepage board "+purpose, 32)
}

func sealer(id []byte) (cipher.AEAD, error) {
	key, err := derive(id, "key")
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}

// start begins a session of an organisation's key.
func (s *sessions) start(w http.ResponseWriter, r *http.Request, organisation, key string, now time.Time) error {
	tenant, err := uuid.Parse(organisation)
	if err != nil {
		return fmt.Errorf("organisation of the key: %w", err)
	}
	id := make([]byte, idBytes)
	rand.Read(id) // never fails: it ends the program instead
	seal, err := sealer(id)
	if err != nil {
		return fmt.Errorf("seal the session: %w", err)
	}
	kept := store.Session{Hash: sha256.Sum256(id), Organisation: tenant, SealedKey: seal.Seal(nil, nil, []byte(key), nil), CreatedAt: now, ExpiresAt: now.Add(sessionLife)}
	if err := s.store.CreateSession(r.Context(), kept); err != nil {
		return err
	}
	http.SetCookie(w, s.cookie(r, base64.RawURLEncoding.EncodeToString(id), int(sessionLife.Seconds())))
	return nil
}

// end ends a session, in the database and in the browser that asks for it.
func (s *sessions) end(w http.ResponseWriter, r *http.Request, v *session) error {
	http.SetCookie(w, s.cookie(r, "", -1))
	return s.store.EndSession(r.Context(), v.kept)
}

func (s *sessions) cookie(r *http.Request, value string, age int) *http.Cookie {
	return &http.Cookie{Name: cookieName, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.cookies.secure(r), SameSite: http.SameSiteLaxMode}
}

// of returns the session of a request, nil when there is none that holds.
func (s *sessions) of(r *http.Request, now time.Time) (*session, error) {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil, nil
	}
	id, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil || len(id) != idBytes {
		return nil, nil
	}
	kept, err := s.store.FindSession(r.Context(), sha256.Sum256(id), now)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	seal, err := sealer(id)
	if err != nil {
		return nil, fmt.Errorf("open the session: %w", err)
	}
	key, err := seal.Open(nil, nil, kept.SealedKey, nil)
	if err != nil {
		return nil, fmt.Errorf("open the session: %w", err)
	}
	token, err := derive(id, "form token")
	if err != nil {
		return nil, fmt.Errorf("open the session: %w", err)
	}
	return &session{kept: kept, key: string(key), token: base64.RawURLEncoding.EncodeToString(token)}, nil
}

func withKey(ctx context.Context, key string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+key)
}

// visitor is a signed-in request: who asks and with which rights.
type visitor struct {
	Caller  *creepagev1.Caller
	Token   string
	session *session
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
	case "import":
		return role == creepagev1.Key_SHOP || role == creepagev1.Key_FEEDER || role == creepagev1.Key_ADMINISTRATOR
	case "administer":
		return role == creepagev1.Key_ADMINISTRATOR
	}
	return false
}

// signedIn lets only signed-in people through, asks the API who they are, puts
// their key on the calls made for them, and checks the token of a post.
func (b *Board) signedIn(next func(http.ResponseWriter, *http.Request, *visitor)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s, err := b.sessions.of(r, b.now())
		if err != nil {
			b.failWith(w, r, nil, err)
			return
		}
		if s == nil {
			b.askToSignIn(w, r)
			return
		}
		if err := readForm(r); err != nil {
			b.fail(w, r, nil, http.StatusBadRequest, "The form cannot be read.", "It may be too large. Nothing was changed.")
			return
		}
		if r.Method == http.MethodPost && subtle.ConstantTimeCompare([]byte(r.PostFormValue("token")), []byte(s.token)) != 1 {
			b.fail(w, r, nil, http.StatusForbidden, "This form is out of date.", "Go back, load the page anew and send it again. Nothing was changed.")
			return
		}
		ctx := withKey(r.Context(), s.key)
		caller, err := b.access.GetCaller(ctx, &creepagev1.GetCallerRequest{})
		if status.Code(err) == codes.Unauthenticated {
			if err := b.sessions.end(w, r, s); err != nil {
				b.log.Warn("session not ended", "error", err)
			}
			b.askToSignIn(w, r)
			return
		}
		if err != nil {
			b.failWith(w, r, nil, err)
			return
		}
		next(w, r.WithContext(ctx), &visitor{Caller: caller, Token: s.token, session: s})
	}
}

// readForm reads a form that has a file with it, of which little stays in memory.
func readForm(r *http.Request) error {
	if r.Method != http.MethodPost || !strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		return nil
	}
	return r.ParseMultipartForm(maxFormBytes)
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
	caller, err := b.access.GetCaller(withKey(r.Context(), key), &creepagev1.GetCallerRequest{})
	if code := status.Code(err); key == "" || code == codes.Unauthenticated {
		b.render(w, r, http.StatusUnauthorized, "signin", "Sign in", nil, signInPage{To: to, Problem: "This key is not known, has expired or was revoked."})
		return
	}
	if err != nil {
		b.failWith(w, r, nil, err)
		return
	}
	if err := b.sessions.start(w, r, caller.GetOrganisation(), key, b.now()); err != nil {
		b.failWith(w, r, nil, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (b *Board) signOut(w http.ResponseWriter, r *http.Request, v *visitor) {
	if err := b.sessions.end(w, r, v.session); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/signin", http.StatusSeeOther)
}

// ownPath keeps a path of this host and turns anything else into the first page.
func ownPath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return to
}
