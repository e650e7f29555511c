package outbox

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"standwatch/rules"
	"standwatch/sensors"
)

// Service is a notification service that a URL names. The URL holds the
// secret, so it stands in a file of its own.
type Service struct {
	Name    string
	URLFile string
	Least   rules.Urgency
	Timeout time.Duration
}

func readService(n sensors.Node, faults *[]error) Service {
	d := sensors.Decode(n, faults)
	s := Service{
		Name:    d.Text("name", "service"),
		URLFile: d.Path("url_file"),
		Least:   least(d),
		Timeout: d.Time("timeout", 20*time.Second),
	}
	if s.URLFile == "" {
		d.Fail(n, "url_file is missing", "add url_file: secrets/service.url, a file whose one line is the service's URL; it holds the secret")
	}
	positive(d, s.Timeout)
	d.Done()
	return s
}

// service sends through the library's services. It is a transport only: what
// is kept, repeated and tried again is the outbox's.
type service struct{ Service }

func (s *service) send(ctx context.Context, m message) error {
	address, err := secret("", s.URLFile)
	if err != nil {
		return err
	}
	if address = strings.TrimSpace(address); address == "" {
		return fmt.Errorf("%s is empty; it wants the service's URL in one line", s.URLFile)
	}
	to, err := (&router.ServiceRouter{}).Locate(address)
	if err != nil {
		return fmt.Errorf("the url in %s fits no service: %w", s.URLFile, discreet(err, address))
	}
	text := m.short()
	if m.Ack != "" {
		text += "\n" + m.Ack
	}
	// The library heeds no context; what is left behind ends by its own time-outs.
	ctx, cancel := context.WithTimeout(ctx, s.Timeout)
	defer cancel()
	sent := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				sent <- fmt.Errorf("the library fell over: %v", p)
			}
		}()
		sent <- to.Send(text, &types.Params{types.TitleKey: m.subject()})
	}()
	select {
	case <-ctx.Done():
		return errors.New("the service does not answer in time")
	case err = <-sent:
	}
	if err != nil {
		return fmt.Errorf("the service does not take it: %w", discreet(err, address))
	}
	return nil
}

// discreet takes out of an error what it may tell of the service's URL: errors are shown.
func discreet(err error, address string) error {
	text := strings.ReplaceAll(err.Error(), address, "URL")
	_, rest, _ := strings.Cut(address, "://")
	for _, part := range strings.FieldsFunc(rest, func(r rune) bool { return strings.ContainsRune("/@:?&=,#", r) }) {
		if len(part) < 6 { // too short for a secret, and perhaps an ordinary word
			continue
		}
		text = strings.ReplaceAll(text, part, "…")
		if plain, err := url.PathUnescape(part); err == nil {
			text = strings.ReplaceAll(text, plain, "…")
		}
	}
	return errors.New(cut(text, 300))
}
