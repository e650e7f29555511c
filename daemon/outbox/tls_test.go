package outbox

import (
	"crypto/tls"
	"encoding/pem"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/daemon/outbox/mailtest"
	"standwatch/rules"
)

// secured is a server of a private authority, and the file that vouches for it.
func secured(t *testing.T, h http.HandlerFunc) (srv *httptest.Server, ca string) {
	t.Helper()
	srv = httptest.NewTLSServer(h)
	srv.Config.ErrorLog = log.New(io.Discard, "", 0)
	t.Cleanup(srv.Close)
	ca = filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: srv.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return srv, ca
}

func TestWebhookPrivateAuthority(t *testing.T) {
	got := make(chan string, 1)
	srv, ca := secured(t, func(w http.ResponseWriter, r *http.Request) { got <- r.Header.Get("Idempotency-Key") })
	m := newJournal(t)
	m.find(flag(rules.Raised, rules.Wake, "a", 1))
	f, stop := begin(t, m, nil, Webhook{URL: srv.URL}, false)
	await(t, func() bool { return strings.Contains(f.State().Sentence, "certificate") })
	stop()
	_, stop = begin(t, m, nil, Webhook{URL: srv.URL, CAFile: ca}, false)
	if key := <-got; key != "box-1-j1-1" {
		t.Errorf("key %q", key)
	}
	stop()
}

// STARTTLS and TLS with a private authority and a password; a wrong password
// or an unknown authority holds the mail and never drops it.
func TestMailSecured(t *testing.T) {
	srv, ca := secured(t, nil)
	config := &tls.Config{Certificates: srv.TLS.Certificates}
	for _, security := range []string{"starttls", "tls"} {
		t.Run(security, func(t *testing.T) {
			s := &mailtest.Server{Password: "right", TLS: config, Wrapped: security == "tls"}
			address := s.Serve(t)
			m := newJournal(t)
			m.find(flag(rules.Raised, rules.Wake, "a", 1))
			mail := Mail{Server: address, Security: security, User: "box", Password: "wrong", CAFile: ca, To: []string{"ana@quayside.example"}}
			says := func(word string) func([]*Follower) bool {
				return func(fs []*Follower) bool { return strings.Contains(fs[0].State().Sentence, word) }
			}
			post(t, m, mail, says("535"))
			mail.CAFile = ""
			post(t, m, mail, says("certificate"))
			if len(s.Got()) != 0 || len(m.aside("outbox:crew:ana@quayside.example")) != 0 {
				t.Fatalf("mails %q, set aside %q", s.Got(), m.aside("outbox:crew:ana@quayside.example"))
			}
			mail.CAFile, mail.Password = ca, "right"
			post(t, m, mail, func(fs []*Follower) bool { return fs[0].State().OK && len(s.Got()) == 1 })
			if len(s.Got()) != 1 {
				t.Errorf("mails %q", s.Got())
			}
		})
	}
}
