package outbox

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	gomail "github.com/wneessen/go-mail"

	"standwatch/daemon/outbox/mailtest"
	"standwatch/rules"
)

// post runs the mail followers until what is asked for holds.
func post(t *testing.T, m *kept, c Mail, until func(fs []*Follower) bool) []*Follower {
	t.Helper()
	c.Name, c.Least, c.From = "crew", rules.Tell, "Box <box-1@quayside.example>"
	if c.Timeout == 0 {
		c.Timeout = 10 * time.Second
	}
	if c.Security == "" {
		c.Security = "none"
	}
	o := New(Parts{Config: Config{Mails: []Mail{c}}, Box: "box-1", ID: "j1", Site: "Quayside Library", Zone: time.FixedZone("WEST", 3600), Journal: m.Journal,
		Links: &Links{make([]byte, 32), at("http://box.local")}, Log: slog.New(slog.DiscardHandler), Now: runsOn})
	stop, fs := run(t, o), o.paths
	deadline := time.Now().Add(2 * time.Minute)
	for !until(fs) {
		if time.Now().After(deadline) {
			stop()
			t.Fatalf("it never came to pass; %+v", fs[0].State())
		}
		time.Sleep(5 * time.Millisecond)
	}
	stop()
	return fs
}

func TestMail(t *testing.T) {
	m, s := newJournal(t), &mailtest.Server{}
	f := flag(rules.Raised, rules.Wake, "scale", 60)
	f.Text = "The scale says nothing: ünïcode, and a long sentence that does not fit into one line of seventy-eight characters."
	m.find(f, verdict(rules.Passed, 120))
	post(t, m, Mail{Server: s.Serve(t), To: []string{"ana@quayside.example", "rui@quayside.example"}}, func([]*Follower) bool { return len(s.Got()) == 4 })
	to := map[string]int{}
	for _, got := range s.Got() {
		to[got.To]++
		msg, err := mail.ReadMessage(strings.NewReader(got.Raw))
		if err != nil {
			t.Fatal(err)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject"))
		if err != nil {
			t.Fatal(err)
		}
		var body io.Reader = msg.Body
		if msg.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
			body = quotedprintable.NewReader(body)
		}
		b, err := io.ReadAll(body)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(string(b), "\r\n", "\n")
		switch id := msg.Header.Get("Message-Id"); id {
		case "<box-1-j1-1@quayside.example>":
			if subject != "WAKE: Quayside Library, north: scale-silent scale" {
				t.Errorf("subject %q", subject)
			}
			for _, want := range []string{f.Text, "silent_s 60", "2026-03-01 07:01:00 WEST", "http://box.local/flags/ack?id=1&key=", "weigh-in"} {
				if !strings.Contains(text, want) {
					t.Errorf("mail lacks %q:\n%s", want, text)
				}
			}
		case "<box-1-j1-2@quayside.example>":
			if subject != "PASSED: Quayside Library, north: vacuum-hold" || strings.Contains(text, "ack?") {
				t.Errorf("subject %q, text\n%s", subject, text)
			}
		default:
			t.Errorf("message id %q", id)
		}
	}
	if to["ana@quayside.example"] != 2 || to["rui@quayside.example"] != 2 {
		t.Errorf("mails %v, want two for each", to)
	}
}

// One address is unknown for good: its messages are set aside with the
// server's words, and the other address gets them all the same.
func TestMailRefusedForGood(t *testing.T) {
	m := newJournal(t)
	s := &mailtest.Server{Rcpt: func(_ int, to string) error {
		if strings.HasPrefix(to, "gone") {
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such person here"}
		}
		return nil
	}}
	m.find(flag(rules.Raised, rules.Wake, "a", 1), flag(rules.Raised, rules.Wake, "b", 2))
	fs := post(t, m, Mail{Server: s.Serve(t), To: []string{"gone@quayside.example", "ana@quayside.example"}}, func(fs []*Follower) bool {
		return len(s.Got()) == 2 && fs[0].State().Quarantined == 2
	})
	aside := m.aside("outbox:crew:gone@quayside.example")
	if len(aside) != 2 || !strings.Contains(aside[0], "no such person here") {
		t.Errorf("set aside %q", aside)
	}
	if st := fs[1].State(); st.Quarantined != 0 {
		t.Errorf("the other address: %+v", st)
	}
}

// A sender whom the server refuses is the box's, with every message: nothing is
// set aside for that, and all of it goes out once somebody has put it right.
func TestMailSenderRefused(t *testing.T) {
	m := newJournal(t)
	s := &mailtest.Server{From: func(n int) error {
		if n <= 2 {
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 7, 1}, Message: "not your address"}
		}
		return nil
	}}
	m.find(flag(rules.Raised, rules.Wake, "a", 1), flag(rules.Raised, rules.Wake, "b", 2))
	fs := post(t, m, Mail{Server: s.Serve(t), To: []string{"ana@quayside.example"}}, func(fs []*Follower) bool { return len(s.Got()) == 2 || fs[0].State().Quarantined > 0 })
	if st := fs[0].State(); st.Quarantined != 0 || len(s.Got()) != 2 {
		t.Errorf("%d mails, state %+v", len(s.Got()), st)
	}
}

// Greylisting and a full mailbox (4xx) pass: the same mail again until taken.
func TestMailRefusedForNow(t *testing.T) {
	m := newJournal(t)
	s := &mailtest.Server{
		Rcpt: func(n int, _ string) error {
			if n == 1 {
				return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "greylisted, come again"}
			}
			return nil
		},
		Data: func(n int) error {
			if n == 2 {
				return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
			}
			return nil
		},
	}
	m.find(flag(rules.Raised, rules.Wake, "a", 1))
	fs := post(t, m, Mail{Server: s.Serve(t), To: []string{"ana@quayside.example"}}, func(fs []*Follower) bool { return fs[0].State().OK && len(s.Got()) == 1 })
	if s.Named() != 3 || len(s.Got()) != 1 {
		t.Errorf("%d attempts, %d mails", s.Named(), len(s.Got()))
	}
	if st := fs[0].State(); st.Quarantined != 0 {
		t.Errorf("state %+v", st)
	}
}

// Content that the server refuses for good.
func TestMailContentRefused(t *testing.T) {
	m := newJournal(t)
	s := &mailtest.Server{Data: func(n int) error {
		if n == 1 {
			return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "looks like spam"}
		}
		return nil
	}}
	m.find(flag(rules.Raised, rules.Wake, "a", 1), flag(rules.Raised, rules.Wake, "b", 2))
	post(t, m, Mail{Server: s.Serve(t), To: []string{"ana@quayside.example"}}, func(fs []*Follower) bool { return len(s.Got()) == 1 })
	if aside := m.aside("outbox:crew:ana@quayside.example"); len(aside) != 1 || !strings.Contains(aside[0], "looks like spam") {
		t.Errorf("set aside %q", aside)
	}
}

// A server without STARTTLS gets no mail where STARTTLS is asked for.
func TestMailNeverInTheClearUnasked(t *testing.T) {
	m, s := newJournal(t), &mailtest.Server{}
	m.find(flag(rules.Raised, rules.Wake, "a", 1))
	fs := post(t, m, Mail{Server: s.Serve(t), Security: "starttls", To: []string{"ana@quayside.example"}}, func(fs []*Follower) bool {
		return strings.Contains(fs[0].State().Sentence, "STARTTLS")
	})
	if st := fs[0].State(); st.OK || st.Waiting != 1 || s.Named() != 0 {
		t.Errorf("state %+v, %d attempts", st, s.Named())
	}
}

// A server that accepts the connection and says nothing.
func TestMailServerHangs(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	m := newJournal(t)
	m.find(flag(rules.Raised, rules.Wake, "a", 1))
	fs := post(t, m, Mail{Server: l.Addr().String(), Timeout: 50 * time.Millisecond, To: []string{"ana@quayside.example"}}, func(fs []*Follower) bool {
		return strings.Contains(fs[0].State().Sentence, "does not take it")
	})
	if st := fs[0].State(); st.OK || st.Waiting != 1 {
		t.Errorf("state %+v", st)
	}
}

// What the library says of errors that are no answer of a server must not
// count as a refusal.
func TestMailJudge(t *testing.T) {
	b := &mailbox{Mail: Mail{Server: "mail.invalid:25"}}
	var r *refusal
	for _, err := range []error{errors.New("535 5.7.8 authentication failed"), context.DeadlineExceeded, io.EOF} {
		if errors.As(b.judge(err), &r) {
			t.Errorf("%v counts as a refusal of the message", err)
		}
	}
	from := func(code int) error {
		m := newJournal(t)
		s := &mailtest.Server{From: func(int) error { return &smtp.SMTPError{Code: code, Message: "no"} }}
		m.find(flag(rules.Raised, rules.Wake, "a", 1))
		b := &mailbox{Mail: Mail{Server: s.Serve(t), From: "box@quayside.example", Security: "none", Timeout: time.Second}, to: "ana@quayside.example"}
		msg := gomail.NewMsg()
		_ = msg.From(b.From)
		_ = msg.To(b.to)
		return b.post(t.Context(), msg)
	}
	if err := from(552); !errors.As(err, &r) { // RFC 1870: its size
		t.Errorf("a mail that is too large: %v", err)
	}
	if err := from(550); errors.As(err, &r) || err == nil || !strings.Contains(err.Error(), "set from to an address") {
		t.Errorf("a sender who is refused: %v", err)
	}
}
