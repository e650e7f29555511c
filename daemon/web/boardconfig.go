package web

import (
	"strings"
	"time"
)

// BoardConfig is what the board's file says of its pages.
type BoardConfig struct {
	Name         string // at the top of every page
	Listen       string
	PublicURL    string
	Certificate  string // files in PEM form; both empty: plain http, on this machine only
	Key          string
	PasswordFile string // empty: whoever reaches the page sees it
	Zone         *time.Location
}

// DefaultBoard is where the board's pages are without a word in its file.
const DefaultBoard = "127.0.0.1:8092"

// OwnNames are those by which people come to the board where it serves TLS itself.
func (c BoardConfig) OwnNames() []string {
	if u, err := parseOrigin(c.PublicURL); err == nil && u.Scheme == "https" {
		return []string{u.Hostname()}
	}
	return nil
}

// secure tells whether people reach the board by https.
func (c BoardConfig) secure() bool {
	return c.Certificate != "" || strings.HasPrefix(c.PublicURL, "https://")
}
