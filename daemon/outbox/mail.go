package outbox

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"strconv"
	"strings"

	gomail "github.com/wneessen/go-mail"

	"standwatch/rules"
)

// mailbox is one address behind a mail server. Each address is a destination
// of its own: one that is refused must not keep the message from the others.
type mailbox struct {
	Mail
	to string
}

func (b *mailbox) send(ctx context.Context, m message) error {
	msg, err := b.compose(m)
	if err != nil {
		return &refusal{err.Error()} // no attempt will ever change it
	}
	return b.post(ctx, msg)
}

// post hands a mail to the server.
func (b *mailbox) post(ctx context.Context, msg *gomail.Msg) error {
	client, err := b.client()
	if err != nil {
		return err
	}
	// The library heeds ctx only while it dials; a stop must not wait for a
	// server that dawdles. What is left behind ends at the time-out.
	sent := make(chan error, 1)
	go func() { sent <- client.DialAndSendWithContext(ctx, msg) }()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case err = <-sent:
	}
	if err == nil || msg.IsDelivered() { // what fails after the server's yes is only the farewell
		return nil
	}
	return b.judge(err)
}

// judge tells a refusal of this message (5xx to its recipient or content) from
// everything that may pass: no connection, a wrong password, 4xx. A sender who is
// refused is the box's, the same with every message: a person puts that right, and
// the messages wait for it, unless it is this one's size.
func (b *mailbox) judge(err error) error {
	var s *gomail.SendError
	if errors.As(err, &s) && s.ErrorCode() >= 500 && s.ErrorCode() < 600 {
		switch s.Reason {
		case gomail.ErrSMTPRcptTo, gomail.ErrSMTPData, gomail.ErrSMTPDataClose:
			return &refusal{s.Error()}
		case gomail.ErrSMTPMailFrom:
			if s.ErrorCode() == tooLarge {
				return &refusal{s.Error()}
			}
			return fmt.Errorf("the mail server %s refuses the sender %s: %w; set from to an address that this user may send by", b.Server, b.From, err)
		}
	}
	return fmt.Errorf("the mail server %s does not take it: %w", b.Server, err)
}

// tooLarge is the answer to MAIL FROM where the message's size is beyond the server's (RFC 1870, 6.1).
const tooLarge = 552

func (b *mailbox) client() (*gomail.Client, error) {
	host, portText, err := net.SplitHostPort(b.Server)
	if err != nil {
		return nil, err
	}
	port, err := net.LookupPort("tcp", portText)
	if err != nil {
		return nil, err
	}
	roots, err := roots(b.CAFile)
	if err != nil {
		return nil, err
	}
	options := []gomail.Option{gomail.WithPort(port), gomail.WithTimeout(b.Timeout),
		gomail.WithTLSConfig(&tls.Config{ServerName: host, RootCAs: roots, MinVersion: tls.VersionTLS12})}
	switch b.Security {
	case "tls":
		options = append(options, gomail.WithSSL())
	case "none":
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if b.User != "" {
		password, err := secret(b.Password, b.PasswordFile)
		if err != nil {
			return nil, err
		}
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(b.User), gomail.WithPassword(password))
	}
	return gomail.NewClient(host, options...)
}

func (b *mailbox) compose(m message) (*gomail.Msg, error) {
	msg, err := b.begin(m.Key)
	if err != nil {
		return nil, err
	}
	if m.wakes() {
		msg.SetImportance(gomail.ImportanceHigh)
	}
	msg.Subject(m.subject())
	msg.SetBodyString(gomail.TypeTextPlain, m.text())
	return msg, nil
}

// begin is a mail with sender, recipient and the key that tells it from all others.
func (b *mailbox) begin(key string) (*gomail.Msg, error) {
	msg := gomail.NewMsg()
	if err := msg.From(b.From); err != nil {
		return nil, err
	}
	if err := msg.To(b.to); err != nil {
		return nil, err
	}
	msg.SetMessageIDWithValue(key + "@" + domain(b.From))
	msg.SetDate()
	return msg, nil
}

func domain(address string) string {
	a, err := mail.ParseAddress(address)
	if err != nil {
		return "localhost"
	}
	return a.Address[strings.LastIndexByte(a.Address, '@')+1:]
}

// text is the mail: the message as a phone has it, the whole sentence, the
// figures, the link.
func (m message) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", m.short())
	switch {
	case len(m.Several) > 0:
		for _, x := range m.Several {
			fmt.Fprintf(&b, "%s  %s\n\n", x.Wall.Format("15:04:05"), x.sentence())
		}
	case !m.Test:
		m.details(&b)
	}
	if m.Ack != "" {
		fmt.Fprintf(&b, "\nTo acknowledge, open:\n%s\n", m.Ack)
	}
	fmt.Fprintf(&b, "\nBox %s, message %s. The box opens and closes nothing; follow the unit maker's\ninstructions and local rules.\n", m.Box, m.Key)
	return b.String()
}

// details are the whole sentence of a finding and its figures.
func (m message) details(b *strings.Builder) {
	fmt.Fprintf(b, "%s\n\n", m.Text)
	line := func(label, value string) {
		if value != "" {
			fmt.Fprintf(b, "%-8s %s\n", label+":", value)
		}
	}
	line("Site", m.Site)
	line("System", m.System)
	line("Step", m.Step)
	line("Unit", m.Unit)
	line("Points", strings.Join(m.Points, ", "))
	if m.Edge == rules.Given {
		line("Result", m.Result)
		line("Cause", m.Cause)
	}
	when := m.Wall.Format("2006-01-02 15:04:05 MST")
	if !m.Proven {
		when += " (the box's clock is not proven)"
	}
	line("Time", when)
	for _, v := range m.Values {
		fmt.Fprintf(b, "  %s %s\n", v.Key, strconv.FormatFloat(v.Number, 'f', -1, 64))
	}
}
