package main

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/daemon/outbox"
	"standwatch/daemon/people"
	"standwatch/daemon/web"
)

type pairCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The site file of the box."`
	Data   string `placeholder:"DIR" help:"The journal's folder, instead of the site file's."`
}

// Run opens the box that runs on this machine for a claim, and prints where
// and with which code. Who can read the box's key may do so, and nobody else.
func (c pairCommand) Run(ctx context.Context, o output) error {
	site, errs := daemon.Load(c.Config)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	dir := c.Data
	if dir == "" {
		dir = site.Box.Data
	}
	key, err := accessKey(dir)
	if err != nil {
		return err
	}
	answer, asked := askToPair(ctx, "http://"+site.Web.Local, key)
	r, err := journal.OpenReader(ctx, dir)
	if err != nil {
		return err
	}
	used, claimed, err := people.UsedCodes(ctx, r)
	if err = errors.Join(err, r.Close()); err != nil {
		return err
	}
	code := people.Code(key, used)
	if asked != nil {
		if claimed {
			return fmt.Errorf("the box does not answer at %s: %w; its codes count only while it runs: start it and run this again", site.Web.Local, asked)
		}
		fmt.Fprintf(o.out, "Code:  %s\n\nThe box does not answer at %s: %v.\nStart it; until it is claimed its pages are at http://%s/claim, on this machine only. To let the site network in,\nrun this again while the box runs.\n",
			code, site.Web.Local, asked, site.Web.Local)
		return nil
	}
	printPaired(o.out, site, answer, code)
	return nil
}

func printPaired(w io.Writer, site *daemon.Site, a web.PairAnswer, code string) {
	fmt.Fprintf(w, "Code:  %s\n\nIt counts once", code)
	if a.Claimed {
		fmt.Fprintf(w, ", for %d minutes. Whoever types it becomes a technician of this box; a name that is known there gets a new password", a.Minutes)
	}
	fmt.Fprint(w, ". Type it at:\n\n")
	for _, address := range append(a.Addresses, "http://"+site.Web.Local) {
		fmt.Fprintf(w, "       %s/claim\n", address)
	}
	switch {
	case a.Trouble != "":
		fmt.Fprintf(w, "\nNobody on the site network gets in yet: %s.\n", a.Trouble)
	case !site.Web.Beyond() && len(a.Addresses) == 0:
		fmt.Fprintf(w, "\nThe box listens on this machine only. To let the site network in, set web: {listen: \"0.0.0.0:8443\"} in %s and start it anew.\n", site.File)
	case !site.Web.Beyond():
	case a.Claimed:
	default:
		fmt.Fprintf(w, "\nThe site network is let in to claim the box for %d minutes, and after that to log in.\n", a.Minutes)
	}
	if a.Fingerprint != "" {
		fmt.Fprintf(w, "\nA browser does not know the box's certificate and warns. It is the box where the certificate's SHA-256 is\n\n       %s\n", strings.ReplaceAll(a.Fingerprint, ":", " "))
	}
}

// accessKey reads the box's key; it makes none, for the box would not know it.
func accessKey(dir string) ([]byte, error) {
	if _, err := os.Stat(filepath.Join(dir, outbox.KeyFile)); err != nil {
		return nil, fmt.Errorf("the box's key: %w; start the box once with standwatch run, and run this as the user it runs as", err)
	}
	l, err := outbox.OpenLinks(dir, func() string { return "" })
	if err != nil {
		return nil, fmt.Errorf("%w; run this as the user the box runs as", err)
	}
	return daemon.AccessKey(l), nil
}

// askToPair asks the running box to open itself for a claim. Each side proves
// to the other that it holds the key: who only listens at the box's port learns
// nothing, and can make nobody believe a certificate.
func askToPair(ctx context.Context, base string, key []byte) (web.PairAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	mine := rand.Text()
	first, status, err := postPair(ctx, base, url.Values{"question": {mine}})
	if err != nil {
		return first, err
	}
	if status != http.StatusUnauthorized || first.Question == "" {
		return first, errors.New("something else than the box listens there")
	}
	a, status, err := postPair(ctx, base, url.Values{"question": {mine}, "proof": {people.Proof(key, "pair", first.Question, mine)}})
	switch {
	case err != nil:
		return a, err
	case status == http.StatusUnauthorized:
		return a, errors.New("the box there is another one: its key is not in this data folder")
	case status != http.StatusOK || !hmac.Equal([]byte(a.Proof), []byte(people.Proof(key, a.Said(first.Question, mine)...))):
		return a, errors.New("what listens there is not this box")
	}
	return a, nil
}

func postPair(ctx context.Context, base string, form url.Values) (a web.PairAnswer, status int, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/pair", strings.NewReader(form.Encode()))
	if err != nil {
		return a, 0, err
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	c := http.Client{Transport: &http.Transport{}} // no proxy: it is this machine
	defer c.CloseIdleConnections()
	resp, err := c.Do(r)
	if err != nil {
		return a, 0, errors.Unwrap(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 64<<10))
	if err != nil {
		return a, 0, err
	}
	if json.Unmarshal(text, &a) != nil {
		return a, resp.StatusCode, nil // no answer of ours; the status says enough
	}
	return a, resp.StatusCode, nil
}
