package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/csv"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net"
	"net/http"
	"net/mail"
	"net/url"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// cutServer takes mails, and has the box killed in the midst of them.
type cutServer struct {
	cut   func(n int) (after int64, ok bool) // of the mail's bytes; 0: behind the last one, before the box is told
	kill  chan struct{}                      // one for each mail that is cut
	dead  chan struct{}                      // answers it
	mails chan []byte                        // those that came whole
	n     int
}

// whose is where papers go in this test; all else is the outbox's.
const whose = "ana@quayside.example"

func (s *cutServer) NewSession(*smtp.Conn) (smtp.Session, error) { return &cutSession{s, ""}, nil }
func (s *cutServer) Printf(string, ...any)                       {}
func (s *cutServer) Println(...any)                              {}

type cutSession struct {
	*cutServer
	to string
}

func (s *cutSession) Reset()                                    {}
func (s *cutSession) Logout() error                             { return nil }
func (s *cutSession) Mail(string, *smtp.MailOptions) error      { return nil }
func (s *cutSession) Rcpt(to string, _ *smtp.RcptOptions) error { s.to = to; return nil }

// Data reads a mail. One box sends one mail with papers at a time.
func (s *cutSession) Data(r io.Reader) error {
	if s.to != whose {
		_, err := io.Copy(io.Discard, r)
		return err
	}
	n := s.n
	s.n++
	after, cut := s.cut(n)
	if cut && after > 0 {
		if _, err := io.CopyN(io.Discard, r, after); err != nil {
			return err
		}
		s.kill <- struct{}{}
		<-s.dead
		_, err := io.Copy(io.Discard, r)
		if err == nil {
			return fmt.Errorf("mail %d came whole from a box that was killed", n)
		}
		return err
	}
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if cut {
		s.kill <- struct{}{}
		<-s.dead
	}
	s.mails <- b
	return nil
}

func (s *cutServer) serve(t *testing.T) string {
	t.Helper()
	srv := smtp.NewServer(s)
	srv.Domain, srv.ErrorLog = "mail.invalid", s
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close(); <-done })
	return l.Addr().String()
}

// TestRealKillInMidMail kills the program while a mail with papers is on its
// way: in the midst of it, and when the server has it and the box does not know.
// What is sent again is the same mail, and the journal is told once.
func TestRealKillInMidMail(t *testing.T) {
	t.Parallel()
	s := &cutServer{kill: make(chan struct{}), dead: make(chan struct{}), mails: make(chan []byte, 10), cut: func(n int) (int64, bool) {
		after := []int64{2_000, 40_000, 0}
		if n < len(after) {
			return after[n], true
		}
		return 0, false
	}}
	dir := t.TempDir()
	site, page := filepath.Join(dir, "site.yaml"), fmt.Sprintf("http://127.0.0.1:%d", freePort(t))
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: killed, data: data}
web: {listen: "%s"}
outbox: {mails: [{name: office, server: "%s", security: none, from: box@quayside.example, to: [office@quayside.example]}]}
points: []
`, strings.TrimPrefix(page, "http://"), s.serve(t)))
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
		case <-s.kill:
		case <-time.After(2 * time.Minute):
			t.Fatalf("mail %d never came\n%s", i, c.log)
		}
		c.kill(t)
		s.dead <- struct{}{}
		c = begin()
	}
	var first []byte
	for i := range 2 { // the one whose yes was lost, and the last
		select {
		case b := <-s.mails:
			if i == 0 {
				first = b
			} else if was, is := enclosedIn(t, first), enclosedIn(t, b); fmt.Sprint(was) != fmt.Sprint(is) || len(is) != 3 {
				t.Errorf("sent again it is another mail:\n%v\n%v", was, is)
			}
		case <-time.After(2 * time.Minute):
			t.Fatalf("mail %d never came whole\n%s", i, c.log)
		}
	}
	sums := enclosedIn(t, first)
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
	select {
	case b := <-s.mails:
		t.Errorf("it was sent once more: %v", enclosedIn(t, b))
	default:
	}
}

// enclosedIn is a mail's own number and the sums of what it encloses.
func enclosedIn(t *testing.T, b []byte) map[string]string {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(b))
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
