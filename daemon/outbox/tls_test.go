package outbox

import (
	"crypto/tls"
	"encoding/pem"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

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

// locked is a mail session that wants a password.
type locked struct{ session }

func (*locked) AuthMechanisms() []string { return []string{sasl.Plain} }

func (l *locked) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "box" || password != "right" {
			return smtp.ErrAuthFailed
		}
		l.in = true
		return nil
	}), nil
}

func (l *locked) Rcpt(to string, o *smtp.RcptOptions) error {
	if !l.in {
		return smtp.ErrAuthRequired
	}
	return l.session.Rcpt(to, o)
}

// STARTTLS and TLS with a private authority and a password; a wrong password
// or an unknown authority holds the mail and never drops it.
func TestMailSecured(t *testing.T) {
	srv, ca := secured(t, nil)
	config := &tls.Config{Certificates: srv.TLS.Certificates}
	for _, security := range []string{"starttls", "tls"} {
		t.Run(security, func(t *testing.T) {
			s := &sink{}
			server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &locked{session{sink: s}}, nil }))
			server.Domain, server.ErrorLog, server.TLSConfig = "mail.invalid", quiet{}, config
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			address := l.Addr().String()
			if security == "tls" {
				l = tls.NewListener(l, config)
			}
			done := make(chan struct{})
			go func() { defer close(done); _ = server.Serve(l) }()
			t.Cleanup(func() { _ = server.Close(); <-done })

			m := newJournal(t)
			m.find(flag(rules.Raised, rules.Wake, "a", 1))
			mail := Mail{Server: address, Security: security, User: "box", Password: "wrong", CAFile: ca, To: []string{"ana@quayside.example"}}
			says := func(word string) func([]*Follower) bool {
				return func(fs []*Follower) bool { return strings.Contains(fs[0].State().Sentence, word) }
			}
			post(t, m, mail, says("535"))
			mail.CAFile = ""
			post(t, m, mail, says("certificate"))
			if len(s.got()) != 0 || len(m.aside("outbox:crew:ana@quayside.example")) != 0 {
				t.Fatalf("mails %q, set aside %q", s.got(), m.aside("outbox:crew:ana@quayside.example"))
			}
			mail.CAFile, mail.Password = ca, "right"
			post(t, m, mail, func(fs []*Follower) bool { return fs[0].State().OK && len(s.got()) == 1 })
			if len(s.got()) != 1 {
				t.Errorf("mails %q", s.got())
			}
		})
	}
}
