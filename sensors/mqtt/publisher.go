package mqtt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// Publisher is a second connection to a broker, by which the box tells others
// how it stands. It is apart from the one that reads, since some brokers close
// a connection that publishes what its user may not.
type Publisher struct {
	s      *source
	client paho.Client
	up     chan struct{}
	heard  chan string
	mu     sync.Mutex
	away   string // why there is no connection; empty: there is one, or none was tried yet
}

// NewPublisher makes the connection of a broker's entry; it touches nothing
// until Run. ok is false where the entry says outward: false. will is the
// topic on which the broker says "offline", retained, when the box is gone.
func NewPublisher(env sensors.Env, c sensors.Config, will string) (p *Publisher, ok bool, err error) {
	env.Status, env.Count = func(string, bool, string) {}, func(string) {}
	if env.Log == nil {
		env.Log = slog.New(slog.DiscardHandler)
	}
	var faults []error
	s := &source{
		env: env, name: c.Name, clientID: ClientID(c.Box, c.Name) + "-out",
		settings: readBroker(c.Device, &faults), keepAlive: keepAlive, pingTimeout: pingTimeout,
		dial: (&net.Dialer{}).DialContext,
	}
	if len(faults) > 0 {
		return nil, false, errors.Join(faults...)
	}
	if s.settings.url == nil {
		return nil, false, fmt.Errorf("broker %s is to be the one within the box, but that was not started", s.name)
	}
	p = &Publisher{s: s, up: make(chan struct{}, 1), heard: make(chan string, 1024)}
	p.prepare(will)
	return p, s.settings.outward, nil
}

func (p *Publisher) prepare(will string) {
	o := p.s.profile(context.Background()) // a dial ends by its own time-out
	o.SetCleanSession(true)
	o.SetWill(will, "offline", 1, true)
	o.SetOnConnectHandler(func(paho.Client) {
		p.setAway("")
		select {
		case p.up <- struct{}{}:
		default:
		}
	})
	o.SetConnectionNotificationHandler(func(_ paho.Client, n paho.ConnectionNotification) {
		switch n := n.(type) {
		case paho.ConnectionNotificationFailed:
			p.setAway(fmt.Sprintf("it is not reached at %s: %v", p.s.settings.url.Host, n.Reason))
		case paho.ConnectionNotificationLost:
			p.setAway(fmt.Sprintf("the connection was lost: %v", n.Reason))
		}
	})
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		if len(m.Payload()) == 0 || !m.Retained() {
			return
		}
		select { // what does not fit is found at the next connection
		case p.heard <- m.Topic():
		default:
		}
	})
	p.client = paho.NewClient(o)
}

func (p *Publisher) setAway(why string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.away = why
}

// Away says why there is no connection; empty: there is one, or none was tried yet.
func (p *Publisher) Away() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.away
}

// Connect begins to connect, and again after every loss.
func (p *Publisher) Connect() { p.client.Connect() }

// Up gets a value after each connection: from then on the broker knows nothing
// for sure, and everything is to be published again.
func (p *Publisher) Up() <-chan struct{} { return p.up }

// Left gets the topics under those asked for with Sweep on which something is retained.
func (p *Publisher) Left() <-chan string { return p.heard }

// refused is the broker's answer to a subscription that it does not grant (MQTT 3.1.1, 3.9.3).
const refused = 0x80

// Sweep asks for what is retained under topics such as standwatch/BOX/flag.
func (p *Publisher) Sweep(under ...string) {
	filters := map[string]byte{}
	for _, u := range under {
		filters[strings.TrimSuffix(u, "/")+"/#"] = 1
	}
	t := p.client.SubscribeMultiple(filters, nil)
	go func() { // it only leaves old topics standing, and nobody waits for it
		err := errors.New("the broker does not answer")
		if t.WaitTimeout(writeTimeout) {
			err = t.Error()
		}
		if s, ok := t.(*paho.SubscribeToken); ok && err == nil {
			for _, code := range s.Result() {
				if code == refused {
					err = errors.New("the broker refuses")
				}
			}
		}
		if err != nil {
			p.s.env.Log.Warn("what an earlier run of the box left on the broker could not be looked for; its old steps and flags may still stand there until the next connection. See that the box's user may read them",
				"broker", p.s.name, "topics", strings.Join(slices.Sorted(maps.Keys(filters)), " "), "error", err)
		}
	}()
}

// ErrUnanswered says that a broker is there and does not say that it took something.
var ErrUnanswered = errors.New("the broker does not answer")

// Publish publishes at QoS 1 and waits a while for the broker's word. While
// there is no connection it fails at once: what is told is how the box stands
// now, and the next connection hears it whole.
func (p *Publisher) Publish(topic string, retained bool, payload []byte) error {
	l := p.s.link.Load()
	if l == nil || !p.client.IsConnectionOpen() { // the first may open meanwhile
		return errors.New("there is no connection")
	}
	t := p.client.Publish(topic, 1, retained, payload)
	patience := time.NewTimer(writeTimeout)
	defer patience.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-l.closed: // its answer will not come: nothing is sent again
		return errors.New("the connection was lost")
	case <-patience.C:
		return ErrUnanswered
	}
}

// Close says goodbye.
func (p *Publisher) Close() {
	p.client.Disconnect(250)
	if l := p.s.link.Load(); l != nil {
		_ = l.Close()
	}
}

// Broker is the broker's name.
func (p *Publisher) Broker() string { return p.s.name }
