// Package mailtest is a mail server for tests.
package mailtest

import (
	"crypto/tls"
	"io"
	"net"
	"strings"
	"sync"
	"testing"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// Mail is one that was taken.
type Mail struct {
	To  string // with commas between, where there are several
	Raw string
}

// Server takes mails, and refuses as it is told. Its fields are set before it serves.
type Server struct {
	From     func(n int) error                            // refuses the sender, the nth time; nil: never
	Rcpt     func(n int, to string) error                 // refuses the nth that was named as whom a mail is for; nil: nobody
	Data     func(n int) error                            // refuses a mail that was read, n having been named so far; nil: none
	Read     func(to string, r io.Reader) ([]byte, error) // reads a mail; nil: to its end
	Password string                                       // of the user box; empty: none is asked for
	TLS      *tls.Config                                  // of STARTTLS, or of each connection
	Wrapped  bool                                         // TLS from the first byte on

	mu    sync.Mutex
	begun int
	named int
	mails []Mail
}

// Got are the mails that were taken.
func (s *Server) Got() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Mail(nil), s.mails...)
}

// Named is how often it was told whom a mail is for.
func (s *Server) Named() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.named
}

// Serve serves on a free port until the test ends.
func (s *Server) Serve(t testing.TB) (address string) {
	t.Helper()
	srv := smtp.NewServer(s)
	srv.Domain, srv.ErrorLog, srv.TLSConfig = "mail.invalid", quiet{}, s.TLS
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address = l.Addr().String()
	if s.Wrapped {
		l = tls.NewListener(l, s.TLS)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close(); <-done })
	return address
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// NewSession is smtp.Backend.
func (s *Server) NewSession(*smtp.Conn) (smtp.Session, error) {
	if s.Password != "" {
		return &locked{session{Server: s}, false}, nil
	}
	return &session{Server: s}, nil
}

type session struct {
	*Server
	to []string
}

func (s *session) Reset()        { s.to = nil }
func (s *session) Logout() error { return nil }

func (s *session) Mail(string, *smtp.MailOptions) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.begun++
	if s.Server.From == nil {
		return nil
	}
	return s.Server.From(s.begun)
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.named++
	if s.Server.Rcpt != nil {
		if err := s.Server.Rcpt(s.named, to); err != nil {
			return err
		}
	}
	s.to = append(s.to, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	read, to := s.Read, strings.Join(s.to, ",")
	if read == nil {
		read = func(_ string, r io.Reader) ([]byte, error) { return io.ReadAll(r) }
	}
	b, err := read(to, r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.Server.Data != nil {
		if err := s.Server.Data(s.named); err != nil {
			return err
		}
	}
	s.mails = append(s.mails, Mail{to, string(b)})
	return nil
}

// locked is a session that wants a password.
type locked struct {
	session
	in bool
}

func (*locked) AuthMechanisms() []string { return []string{sasl.Plain} }

func (l *locked) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "box" || password != l.Password {
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
