package pages

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sync"
)

// policy is what a page may load and send: its own files and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// doors keep strangers out: other machines by the listener, other sites by Host, origin and cookie, other programs of this machine by the token.
type doors struct {
	hosts  []string
	cookie string // its name
	origin *http.CrossOriginProtection
	random io.Reader

	mu       sync.Mutex
	tokens   [][sha256.Size]byte // not traded yet
	sessions [][sha256.Size]byte
}

// cookieAge is how long a browser remembers that it was let in, in seconds: over being closed for a night, so that nobody has to look for the address anew. The
// cookie is worth nothing once serve has ended.
const cookieAge = 7 * 24 * 60 * 60

// secretSize is the size of tokens and cookies in bytes.
const secretSize = 16

func (d *doors) open(o Options) error {
	if o.Port == "" || o.Entropy == nil {
		return fmt.Errorf("a site needs its port and a source of randomness")
	}
	d.hosts = []string{"127.0.0.1:" + o.Port, "localhost:" + o.Port}
	d.cookie = "countback-" + o.Port // browsers keep cookies by host alone, and two desks may run on one
	d.random = o.Entropy
	d.origin = http.NewCrossOriginProtection()
	return nil
}

func (d *doors) secret() (text string, sum [sha256.Size]byte, err error) {
	raw := make([]byte, secretSize)
	if _, err := io.ReadFull(d.random, raw); err != nil {
		return "", sum, err
	}
	text = base64.RawURLEncoding.EncodeToString(raw)
	return text, sha256.Sum256([]byte(text)), nil
}

// Address makes a new one-time token and returns the address that a person opens with it.
func (s *Site) Address() (string, error) {
	text, sum, err := s.doors.secret()
	if err != nil {
		return "", err
	}
	s.doors.mu.Lock()
	defer s.doors.mu.Unlock()
	s.doors.tokens = append(s.doors.tokens, sum)
	return "http://" + s.doors.hosts[0] + "/enter?token=" + text, nil
}

// trade takes a token and returns the cookie for it, "" where the token isn't one or was used.
func (d *doors) trade(token string) (string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	sum := sha256.Sum256([]byte(token))
	for i, t := range d.tokens {
		if subtle.ConstantTimeCompare(t[:], sum[:]) == 1 {
			text, session, err := d.secret()
			if err != nil {
				return "", err
			}
			d.tokens = slices.Delete(d.tokens, i, i+1)
			d.sessions = append(d.sessions, session)
			return text, nil
		}
	}
	return "", nil
}

func (d *doors) known(r *http.Request) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, c := range r.CookiesNamed(d.cookie) {
		sum := sha256.Sum256([]byte(c.Value))
		for _, s := range d.sessions {
			if subtle.ConstantTimeCompare(s[:], sum[:]) == 1 {
				return true
			}
		}
	}
	return false
}

// guard lets in who may come in.
func (d *doors) guard(s *Site, inner http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if !slices.Contains(d.hosts, r.Host) {
			http.Error(w, "This address isn't the desk's. Open the one that countback serve printed.", http.StatusMisdirectedRequest)
			return
		}
		if err := d.origin.Check(r); err != nil {
			http.Error(w, "Another site asked for this, so nothing was done.", http.StatusForbidden)
			return
		}
		switch {
		case r.URL.Path == "/enter":
			d.enter(s, w, r)
		case d.known(r) || isStyle(r):
			inner.ServeHTTP(w, r)
		default:
			s.shut(w, r, http.StatusForbidden)
		}
	})
}

// isStyle lets the page at the closed door look like the others. Styles and scripts hold no secret.
func isStyle(r *http.Request) bool {
	return r.Method == http.MethodGet && len(r.URL.Path) > len("/static/") && r.URL.Path[:len("/static/")] == "/static/"
}

func (d *doors) enter(s *Site, w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet {
		w.Header().Set("Allow", http.MethodGet)
		http.Error(w, "A token is traded by opening its address.", http.StatusMethodNotAllowed)
		return
	}
	if d.known(r) { // the address was opened once more, in the browser that has the cookie
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	session, err := d.trade(r.URL.Query().Get("token"))
	if err != nil {
		http.Error(w, "The machine gave no randomness; try again.", http.StatusInternalServerError)
		return
	}
	if session == "" {
		s.shut(w, r, http.StatusForbidden)
		return
	}
	if s.opts.Entered != nil {
		if next, err := s.Address(); err == nil { // else the one who comes next starts serve anew
			s.opts.Entered(next)
		}
	}
	http.SetCookie(w, &http.Cookie{Name: d.cookie, Value: session, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: cookieAge})
	// A browser that comes here from another program's link doesn't send the cookie along with a redirect: this page leads on by itself.
	v := &view{site: s, w: w, r: r}
	if err := v.render("enter", nil); err != nil {
		http.Error(w, "The desk is open at http://"+d.hosts[0]+"/.", http.StatusOK)
	}
}

// shut is the page of a closed door.
func (s *Site) shut(w http.ResponseWriter, r *http.Request, status int) {
	v := &view{site: s, w: w, r: r}
	if err := v.renderStatus(status, "shut", nil); err != nil {
		http.Error(w, "This browser isn't let in yet. Open the address that countback serve printed.", status)
	}
}
