package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/mail"
	"net/url"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/outbox/mailtest"
)

// cuts has the box killed in the midst of its mails.
type cuts struct {
	after []int64       // of the mails' bytes, one for each; 0: behind the last one, before the box is told
	kill  chan struct{} // one for each mail that is cut
	dead  chan struct{} // answers it
}

// whose is where papers go in this test; all else is the outbox's.
const whose = "ana@quayside.example"

// read reads a mail. One box sends one mail with papers at a time.
func (c *cuts) read(to string, r io.Reader) ([]byte, error) {
	if to != whose || len(c.after) == 0 {
		return io.ReadAll(r)
	}
	after := c.after[0]
	c.after = c.after[1:]
	if after == 0 {
		b, err := io.ReadAll(r)
		if err == nil {
			c.kill <- struct{}{}
			<-c.dead
		}
		return b, err
	}
	if _, err := io.CopyN(io.Discard, r, after); err != nil {
		return nil, err
	}
	c.kill <- struct{}{}
	<-c.dead
	if _, err := io.Copy(io.Discard, r); err != nil {
		return nil, err
	}
	return nil, errors.New("a mail came whole from a box that was killed")
}

// TestRealKillInMidMail kills the program while a mail with papers is on its
// way: in the midst of it, and when the server has it and the box does not know.
// What is sent again is the same mail, and the journal is told once.
func TestRealKillInMidMail(t *testing.T) {
	t.Parallel()
	cut := &cuts{after: []int64{2_000, 40_000, 0}, kill: make(chan struct{}), dead: make(chan struct{})}
	s := &mailtest.Server{Read: cut.read}
	papers := func() (all []mailtest.Mail) {
		for _, m := range s.Got() {
			if m.To == whose {
				all = append(all, m)
			}
		}
		return all
	}
	dir := t.TempDir()
	site, page := filepath.Join(dir, "site.yaml"), fmt.Sprintf("http://127.0.0.1:%d", freePort(t))
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: killed, data: data}
web: {listen: "%s"}
outbox: {mails: [{name: office, server: "%s", security: none, from: box@quayside.example, to: [office@quayside.example]}]}
points: []
`, strings.TrimPrefix(page, "http://"), s.Serve(t)))
	begin := func() *child {
		t.Helper()
		c := startRun(t, site, nil)
		eventually(t, "the page answers", func() bool {
			resp, err := http.Get(page + "/record")
			if err != nil {
				return false
			}
			resp.Body.Close()
			return resp.StatusCode == http.StatusOK
		})
		return c
	}
	c := begin()
	for _, f := range []url.Values{{"kind": {"begin"}, "step": {"take-off"}}, {"kind": {"end"}, "step": {"take-off"}}} {
		eventually(t, fmt.Sprintf("%v is taken", f), func() bool { // no step ends before its begin is heard
			return post(t, page, "/marks", f) == http.StatusSeeOther
		})
	}
	eventually(t, "the mail is taken into the queue", func() bool {
		return post(t, page, "/record/mail", url.Values{"what": {"record"}, "to": {"owner"}, "how": {"mail"}, "address": {whose}, "by": {"Ines"}}) == http.StatusSeeOther
	})
	for i := range 3 {
		select {
		case <-cut.kill:
		case <-time.After(2 * time.Minute):
			t.Fatalf("mail %d never came\n%s", i, c.log)
		}
		c.kill(t)
		cut.dead <- struct{}{}
		c = begin()
	}
	eventually(t, "two mails come whole, the one whose yes was lost and the last", func() bool { return len(papers()) >= 2 })
	sums := enclosedIn(t, papers()[0].Raw)
	if is := enclosedIn(t, papers()[1].Raw); fmt.Sprint(sums) != fmt.Sprint(is) || len(is) != 3 {
		t.Errorf("sent again it is another mail:\n%v\n%v", sums, is)
	}
	var told [][]string
	eventually(t, "the journal is told", func() bool {
		out, err := exec.Command("standwatch", "export", "--data", filepath.Join(dir, "data")).Output()
		if err != nil {
			return false
		}
		rows, err := csv.NewReader(bytes.NewReader(out)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		told = nil
		for _, r := range rows {
			if r[2] == "copy" {
				told = append(told, r)
			}
		}
		return len(told) >= 2
	})
	c.stop(t) // an orderly stop ends what is under way
	c = begin()
	c.stop(t)
	if len(told) != 2 {
		t.Errorf("the journal is told %q", told)
	}
	for _, r := range told {
		found := false
		for name, sum := range sums {
			found = found || name != "Message-ID" && strings.Contains(r[5], sum)
		}
		if !found {
			t.Errorf("the journal is told of %q, and sent were %v", r[5], sums)
		}
	}
	if all := papers(); len(all) != 2 {
		t.Errorf("it was sent %d times", len(all))
	}
}

// enclosedIn is a mail's own number and the sums of what it encloses.
func enclosedIn(t *testing.T, raw string) map[string]string {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	_, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{"Message-ID": m.Header.Get("Message-ID")}
	for parts := multipart.NewReader(m.Body, params["boundary"]); ; {
		p, err := parts.NextPart()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if p.FileName() == "" {
			continue
		}
		h := sha256.New()
		if _, err := io.Copy(h, base64.NewDecoder(base64.StdEncoding, p)); err != nil {
			t.Fatal(err)
		}
		all[p.FileName()] = fmt.Sprintf("%x", h.Sum(nil))
	}
}
