package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/people"
)

// The board's lock: one password for whoever reads. The board keeps nothing, so
// who is in carries a signed cookie; the key changes with the password, which puts
// everybody out.

// Password is the one password of a board.
type Password = people.Alone

type lock struct {
	password *Password
	secure   bool
	begun    time.Time
}

// staysOpen is how long somebody who gave the password is let in without it.
const staysOpen = 7 * 24 * time.Hour

// cookieName is bound to this very host where there is https.
func (d *lock) cookieName() string {
	if d.secure {
		return "__Host-board"
	}
	return "board"
}

func (d *lock) sign(until string) string {
	mac := hmac.New(sha256.New, d.password.Key())
	_, _ = mac.Write([]byte("until " + until)) // a hash takes everything
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

// lets tells whether a request carries a cookie that is ours and not over.
func (d *lock) lets(r *http.Request, now time.Time) bool {
	c, err := r.Cookie(d.cookieName())
	if err != nil {
		return false
	}
	until, mac, ok := strings.Cut(c.Value, ".")
	if !ok || !hmac.Equal([]byte(mac), []byte(d.sign(until))) {
		return false
	}
	unix, err := strconv.ParseInt(until, 10, 64)
	return err == nil && now.Before(time.Unix(unix, 0))
}

func (d *lock) cookie(value string, age time.Duration) *http.Cookie {
	c := &http.Cookie{Name: d.cookieName(), Value: value, Path: "/", MaxAge: int(age / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: d.secure}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

// locked lets nobody past the door without the password.
func (b *board) locked(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case b.lock == nil || r.URL.Path == "/door" || b.lock.lets(r, b.now()):
			next.ServeHTTP(w, r)
		case r.Method == http.MethodGet && r.URL.Path != "/stream" && r.URL.Path != "/curve":
			http.Redirect(w, r, "/door?"+url.Values{"back": {back(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
		default:
			b.refuse(w, r, http.StatusUnauthorized, "board.closed")
		}
	})
}

type lockView struct{ Back, Problem string }

func (b *board) lockPage(w http.ResponseWriter, r *http.Request) {
	b.showLock(w, r, http.StatusOK, back(r.URL.Query().Get("back")), "")
}

func (b *board) showLock(w http.ResponseWriter, r *http.Request, status int, to, problem string) {
	v := b.frame(r, "boardlock")
	v.Path, v.Bare = "/door", true
	v.Body = lockView{to, problem}
	b.write(w, status, "boardlock", v)
}

func (b *board) postLock(w http.ResponseWriter, r *http.Request) {
	if b.lock == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	if err := r.ParseForm(); err != nil {
		b.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	to := back(r.PostForm.Get("back"))
	ctx, cancel := context.WithTimeout(r.Context(), 10*time.Second)
	defer cancel()
	err := b.lock.password.Try(ctx, address(r), r.PostForm.Get("password"), time.Since(b.lock.begun))
	var wait people.WaitError
	switch {
	case err == nil:
	case errors.As(err, &wait):
		w.Header().Set("Retry-After", strconv.Itoa(int(wait.For/time.Second)+1))
		b.showLock(w, r, http.StatusTooManyRequests, to, b.words.say("board.door-wait", b.words.span(wait.For+time.Second)))
		return
	case errors.Is(err, people.ErrWrong):
		b.showLock(w, r, http.StatusUnauthorized, to, b.words.say("board.door-wrong"))
		return
	default:
		b.showLock(w, r, http.StatusServiceUnavailable, to, b.words.say("board.door-busy"))
		return
	}
	until := strconv.FormatInt(b.now().Add(staysOpen).Unix(), 10)
	http.SetCookie(w, b.lock.cookie(fmt.Sprintf("%s.%s", until, b.lock.sign(until)), staysOpen))
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (b *board) leave(w http.ResponseWriter, r *http.Request) {
	if b.lock != nil {
		http.SetCookie(w, b.lock.cookie("", 0))
	}
	http.Redirect(w, r, "/door", http.StatusSeeOther)
}

// address is who asks; behind a proxy that is the proxy, whoever asks it.
func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// namesUs reports whether a request names this machine or the name by which
// people reach it. Any other name that leads here is somebody's trick.
func namesUs(hostport, publicURL string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") {
		return true
	}
	if ip, err := netip.ParseAddr(host); err == nil && ip.IsLoopback() {
		return true
	}
	u, err := parseOrigin(publicURL)
	return err == nil && strings.EqualFold(hostport, u.Host)
}
