package mqtt

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// Hearing is what a Listener asks for, and whom it tells. The functions may be
// called from several goroutines.
type Hearing struct {
	Filter string // the topics, such as standwatch/+/#
	Most   int    // bytes of the largest message
	// Up is called after each subscription: what is retained comes now.
	Up   func()
	Hear func(topic string, payload []byte, retained bool)
	// Over hears of a message larger than Most, which was not taken.
	Over func(topic string, bytes int)
	// Status is told how the connection stands, in a sentence.
	Status func(ok bool, sentence string)
}

// Listener is a connection that only hears: no session is kept at the broker,
// nothing is published, and two listeners never throw each other out.
type Listener struct {
	s *source
	h Hearing
}

// NewListener makes a listener of a broker's entry; it touches nothing until Run.
func NewListener(name string, entry sensors.Node, h Hearing, log *slog.Logger) (*Listener, error) {
	var faults []error
	s := &source{
		env:  sensors.Env{Log: log, Status: func(string, bool, string) {}, Count: func(string) {}},
		name: name, clientID: "standwatch-board-" + rand.Text()[:12],
		settings: readBroker(entry, &faults), keepAlive: keepAlive, pingTimeout: pingTimeout,
		dial: (&net.Dialer{}).DialContext, most: h.Most, over: h.Over,
	}
	if len(faults) == 0 && s.settings.url == nil {
		faults = append(faults, entry.Fault("a broker within the box serves no board", "give the url of the company's broker"))
	}
	return &Listener{s, h}, errors.Join(faults...)
}

// Run listens until ctx ends, and connects again after every loss.
func (l *Listener) Run(ctx context.Context) error {
	s := l.s
	o := s.profile(ctx)
	o.SetCleanSession(true)
	o.SetOrderMatters(true)
	o.SetOnConnectHandler(l.subscribe)
	o.SetConnectionNotificationHandler(func(_ paho.Client, n paho.ConnectionNotification) {
		switch n := n.(type) {
		case paho.ConnectionNotificationFailed:
			l.h.Status(false, fmt.Sprintf("Broker %s at %s is not reached: %v. It is tried again.", s.name, s.settings.url.Host, n.Reason))
		case paho.ConnectionNotificationLost:
			l.h.Status(false, fmt.Sprintf("Broker %s: the connection was lost (%v). It is tried again.", s.name, n.Reason))
		}
	})
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { l.h.Hear(m.Topic(), m.Payload(), m.Retained()) })
	client := paho.NewClient(o)
	client.Connect()
	<-ctx.Done()
	client.Disconnect(250)
	if x := s.link.Load(); x != nil {
		_ = x.Close() // closed already, unless the broker did not answer
	}
	return ctx.Err()
}

func (l *Listener) subscribe(c paho.Client) {
	s := l.s
	l.h.Up() // before the first message can come
	token := c.Subscribe(l.h.Filter, 1, nil)
	if !token.WaitTimeout(connectTimeout) || token.Error() != nil {
		l.h.Status(false, fmt.Sprintf("Broker %s does not answer the subscription (%v). It is tried again.", s.name, token.Error()))
		if x := s.link.Load(); x != nil {
			_ = x.Close() // paho then connects and asks anew
		}
		return
	}
	if code := token.(*paho.SubscribeToken).Result()[l.h.Filter]; code > 2 {
		l.h.Status(false, fmt.Sprintf("Broker %s refuses to let the board read %s. Give its user %q the right to.", s.name, l.h.Filter, s.settings.user))
		return
	}
	l.h.Status(true, fmt.Sprintf("Broker %s: connected.", s.name))
}
