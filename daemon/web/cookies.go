package web

import (
	"net/http"
	"net/url"
)

const aYear = 365 * 24 * 3600

func unitsOf(r *http.Request) choice {
	c, err := r.Cookie("units")
	if err != nil {
		return asMeasured
	}
	switch choice(c.Value) {
	case choiceSI, choiceUS:
		return choice(c.Value)
	}
	return asMeasured
}

// whoOf is the name last given on this browser, so that it need not be typed again.
func whoOf(r *http.Request) string {
	c, err := r.Cookie("who")
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || len(name) > mostName {
		return ""
	}
	return name
}

func setCookie(w http.ResponseWriter, r *http.Request, name, value string) {
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: aYear,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
}
