// Package mqtt is the instrument that is a topic: points whose readings come
// as messages of an MQTT broker.
//
// One source is one broker with all its points, and owns one client for life.
// The client keeps its session at the broker (a stable name, no clean session),
// so that the broker queues what is published while the box is away, and it
// acknowledges a message only after the readings in it are durable. What the box
// acknowledged it keeps; what it did not acknowledge the broker sends again.
//
// That chain is only as strong as the broker: it must keep sessions over its own
// restart and must not drop what it queues (for mosquitto: persistence true,
// autosave_on_changes true, autosave_interval 1, max_queued_messages 0,
// max_inflight_messages 0), and publishers must use QoS 1. Such a mosquitto writes all
// it holds at every change; where a long backlog makes that too slow, a larger
// autosave_interval is the number of changes that its own power cut can take.
//
// # Settings
//
// A broker:
//
//	brokers:
//	  - name: site
//	    url: tls://broker.example.org:8883   # tcp://, mqtt://, tls:// or mqtts://
//	    user: box
//	    password_file: broker.password       # read at each attempt; paths are beside the site file
//	    ca_file: site-ca.pem                 # a private authority, instead of the system's
//	    client_cert_file: box.pem            # where the broker asks for one
//	    client_key_file: box.key
//	    retry: 5s                            # between attempts while it was never reached
//	    outward: only                        # no point is read from it: the box only tells it how it
//	                                         # stands; true (the default): both; false: only read
//
// A point, on its own topic or sharing one (wildcards are refused: a point is one
// instrument):
//
//	mqtt:
//	  broker: site                # may be left out where there is only one
//	  topic: plant/gauge
//	  format: json                # plain, json, senml; json where value is given, else plain
//	  value: /p                   # these are JSON Pointers (RFC 6901)
//	  unit: /unit                 # else the point's unit
//	  time: /t                    # the instrument's own time
//	  time_format: auto           # rfc3339, unix (seconds, perhaps with a fraction), unix-ms; auto:
//	                              # numbers from 1e11 are milliseconds
//	  seq: /n                     # its own count of readings
//	  battery: /bat               # senml: the resolved name of the battery's record
//	  battery_unit: "%"           # or 1; else up to 1 is a ratio, above it a percentage
//	  battery_low: 20 %           # below it readings are suspect, and stand (common practice)
//	  battery_topic: plant/gauge/battery
//	  fault: /error               # true, not zero, not empty: failed, with the text as the reason
//	  name: urn:dev:mac:0024befffe804ff1:p     # senml: the resolved name of the point's records
//	  availability: {topic: plant/gauge/status, online: online, offline: offline}
//
// # What counts as measured now
//
// A retained message is a copy of unknown age. With a time of its own it is a
// suspect reading of that time; without, it is none, and counted. A message that
// the broker marks as sent again, or that waited at the broker while the box was
// away, is suspect unless it tells its own time. Availability topics (and last
// wills) are the exception: retained, they stand for the present.
//
// To know where such a backlog ends, the box publishes a message to itself
// (standwatch/BOX/fence/BROKER), which the broker queues behind it; its user needs the
// right to publish on and read standwatch/BOX/#.
//
// # When the box is slow
//
// The handler hands over and waits while the daemon's queue is full; then nothing
// is read from the broker, which is how the broker is asked to wait. A wait of more
// than about 20 s also keeps the answer to our own ping from being seen, so the
// connection is given up once; the client connects again when the queue moves, and the
// broker sends again whatever was not acknowledged.
package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/cespare/xxhash/v2"
	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// Driver is the driver for brokers.
func Driver() sensors.Driver {
	return sensors.Driver{
		Name:   "mqtt",
		Doc:    "readings from the topics of an MQTT broker: plain numbers, JSON or SenML",
		Device: "broker",
		New:    newSource,
	}
}

// The client's profile. See the package comment for why the session is kept.
const (
	keepAlive      = 15 * time.Second
	pingTimeout    = 5 * time.Second
	writeTimeout   = 5 * time.Second
	connectTimeout = 10 * time.Second
	longestRetry   = 20 * time.Second
	lastWords      = 500 * time.Millisecond // for acknowledgements still due when stopping: two commits
)

// source is one broker with all its points.
type source struct {
	env      sensors.Env
	name     string
	clientID string
	settings settings
	topics   map[string]*dispatch

	most int                           // bytes of a message that is let through; 0: any
	over func(topic string, bytes int) // hears of larger ones

	keepAlive, pingTimeout time.Duration
	dial                   func(ctx context.Context, network, address string) (net.Conn, error)

	fence   fence
	givenUp map[string]bool // topics unsubscribed; the handler's own

	link atomic.Pointer[link]
	told struct { // the last sentence given to Status
		sync.Mutex
		text string
	}
	lost struct { // when connections were lost, for a name used twice
		sync.Mutex
		at []time.Time
	}
}

func newSource(env sensors.Env, c sensors.Config) (sensors.Source, error) {
	if env.Log == nil {
		env.Log = slog.New(slog.DiscardHandler)
	}
	if env.Status == nil {
		env.Status = func(string, bool, string) {}
	}
	if env.Count == nil {
		env.Count = func(string) {}
	}
	var faults []error
	s := &source{
		env: env, name: c.Name, clientID: ClientID(c.Box, c.Name),
		settings:  readBroker(c.Device, &faults),
		keepAlive: keepAlive, pingTimeout: pingTimeout, dial: (&net.Dialer{}).DialContext,
		givenUp: map[string]bool{},
	}
	s.fence.topic, s.fence.patience = "standwatch/"+c.Box+"/fence/"+c.Name, fencePatience
	var feeds []*feed
	for _, p := range c.Points {
		feeds = append(feeds, readFeed(p, &faults))
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	s.topics = dispatches(feeds)
	return s, nil
}

// ClientID is the name by which a box's session stands at a broker.
func ClientID(box, broker string) string { return "standwatch-" + box + "-" + broker }

// Run connects, and again after every loss, until ctx ends.
func (s *source) Run(ctx context.Context, emit sensors.Emit) error {
	if s.settings.url == nil {
		return fmt.Errorf("broker %s is to be the one within the box, but that was not started", s.name)
	}
	acks := &acks{wake: make(chan struct{}, 1)}
	client := paho.NewClient(s.options(ctx, emit, acks))
	var working sync.WaitGroup
	stop := make(chan struct{})
	working.Go(func() { acks.send(stop) })

	client.Connect()
	<-ctx.Done()

	// What was handed over may still be committed: its acknowledgement saves
	// the broker from sending it again.
	for end := time.Now().Add(lastWords); acks.due() && time.Now().Before(end) && client.IsConnectionOpen(); {
		time.Sleep(10 * time.Millisecond)
	}
	// Returns after that time at the latest. Where the client sleeps before its
	// next attempt, one goroutine of paho sleeps on and then ends.
	client.Disconnect(250)
	if l := s.link.Load(); l != nil {
		_ = l.Close() // closed already, unless the broker did not answer
	}
	close(stop)
	working.Wait()
	s.status(false, fmt.Sprintf("Broker %s: stopped.", s.name))
	return nil
}

func (s *source) options(ctx context.Context, emit sensors.Emit, acks *acks) *paho.ClientOptions {
	o := s.profile(ctx)
	o.SetCleanSession(false)
	o.SetOrderMatters(true)
	o.SetAutoAckDisabled(true)
	// MaxResumePubInFlight stays off: one fence at a time is all that is published
	// here, and v1.5.1 races with its own reconnection where it is on.
	// Every message comes here: paho would try each of many handlers' topics on
	// each message, while one map does.
	o.SetDefaultPublishHandler(func(c paho.Client, m paho.Message) { s.handle(c, emit, acks, m) })
	o.SetOnConnectHandler(s.subscribe)
	return o
}

// profile is what every connection to the broker has in common.
func (s *source) profile(ctx context.Context) *paho.ClientOptions {
	o := paho.NewClientOptions()
	o.AddBroker(s.settings.url.String())
	o.SetClientID(s.clientID)
	o.SetProtocolVersion(4)
	o.SetStore(forgetful{paho.NewOrderedMemoryStore()})
	o.SetConnectRetry(true)
	o.SetConnectRetryInterval(s.settings.retry)
	o.SetMaxReconnectInterval(longestRetry)
	o.SetKeepAlive(s.keepAlive)
	o.SetPingTimeout(s.pingTimeout)
	o.SetWriteTimeout(writeTimeout)
	o.SetConnectTimeout(connectTimeout)
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) { return s.open(ctx, u) })
	if s.settings.user != "" {
		o.SetCredentialsProvider(func() (string, string) { return s.settings.user, s.readPassword() })
	}
	o.SetConnectionNotificationHandler(s.notice)
	return o
}

func (s *source) readPassword() string {
	if s.settings.secret == "" {
		return s.settings.password
	}
	b, err := os.ReadFile(s.settings.secret)
	if err != nil {
		s.env.Log.Error("password of the broker", "broker", s.name, "error", err)
	}
	return strings.TrimRight(string(b), "\r\n")
}

// open dials the broker. Certificates are read each time, so that new ones are
// taken without a restart.
func (s *source) open(ctx context.Context, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	conn, err := s.dial(ctx, "tcp", u.Host)
	if err == nil && u.Scheme == "tls" {
		conn, err = s.secure(ctx, conn, u.Hostname())
	}
	if err != nil {
		return nil, err
	}
	if s.most > 0 {
		conn = newCapped(conn, s.most, s.over)
	}
	l := newLink(conn, writeTimeout)
	s.link.Store(l)
	go l.gather() // until the link is closed
	return l, nil
}

// secure makes sure of the broker, and encrypts.
func (s *source) secure(ctx context.Context, conn net.Conn, host string) (net.Conn, error) {
	c, err := s.tls(host)
	if err == nil {
		safe := tls.Client(conn, c)
		if err = safe.HandshakeContext(ctx); err == nil {
			return safe, nil
		}
	}
	_ = conn.Close() // what went wrong is told already
	return nil, err
}

func (s *source) tls(host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if s.settings.ca != "" {
		pem, err := os.ReadFile(s.settings.ca)
		if err != nil {
			return nil, err
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form", s.settings.ca)
		}
	}
	if s.settings.cert != "" {
		own, err := tls.LoadX509KeyPair(s.settings.cert, s.settings.key)
		if err != nil {
			return nil, err
		}
		c.Certificates = []tls.Certificate{own}
	}
	return c, nil
}

// subscribe asks for every topic, at each connection: a broker that restarted
// without its sessions knows nothing of us.
func (s *source) subscribe(c paho.Client) {
	if len(s.topics) == 0 {
		s.status(true, fmt.Sprintf("Broker %s: connected.", s.name))
		return
	}
	l := s.link.Load()
	filters := map[string]byte{s.fence.topic: 1}
	for t := range s.topics {
		filters[t] = 1
	}
	token := c.SubscribeMultiple(filters, nil)
	if !token.WaitTimeout(connectTimeout) || token.Error() != nil {
		s.status(false, fmt.Sprintf("Broker %s does not answer the subscription (%v). The box connects again.", s.name, token.Error()))
		_ = l.Close() // paho then connects and asks anew
		return
	}
	var refused []string
	fenced := true
	for t, code := range token.(*paho.SubscribeToken).Result() {
		switch {
		case code <= 2:
		case t == s.fence.topic:
			fenced = false
		default:
			refused = append(refused, t)
		}
	}
	if !fenced {
		l.caughtUp() // as far as it can be told
	} else if !s.raiseFence(c, l) {
		return // the connection is lost already
	}
	if len(refused) > 0 {
		sort.Strings(refused)
		s.status(false, fmt.Sprintf("Broker %s refuses to let the box read %s. Give its user %q the right to.", s.name, strings.Join(refused, ", "), s.settings.user))
		return
	}
	s.status(true, fmt.Sprintf("Broker %s: connected, %d topics.", s.name, len(s.topics)))
}

// notice tells how the connection stands.
func (s *source) notice(_ paho.Client, n paho.ConnectionNotification) {
	switch n := n.(type) {
	case paho.ConnectionNotificationFailed:
		s.status(false, fmt.Sprintf("Broker %s at %s is not reached: %v. The box goes on with its other instruments and tries again.", s.name, s.settings.url.Host, n.Reason))
	case paho.ConnectionNotificationLost:
		s.env.Count("broker-connection-lost")
		if s.often() {
			s.status(false, fmt.Sprintf("Broker %s drops the connection again and again. Perhaps another client uses the name %s: each box needs a name of its own.", s.name, s.clientID))
			return
		}
		s.status(false, fmt.Sprintf("Broker %s: the connection was lost (%v). What is published meanwhile waits there.", s.name, n.Reason))
	}
}

// often reports more than three losses within a minute: what a second client
// of the same name looks like, since the broker lets each one in throw the other out.
func (s *source) often() bool {
	s.lost.Lock()
	defer s.lost.Unlock()
	now := time.Now()
	recent := s.lost.at[:0]
	for _, t := range s.lost.at {
		if now.Sub(t) < time.Minute {
			recent = append(recent, t)
		}
	}
	s.lost.at = append(recent, now)
	return len(s.lost.at) > 3
}

// status reports a change.
func (s *source) status(ok bool, sentence string) {
	s.told.Lock()
	same := s.told.text == sentence
	s.told.text = sentence
	s.told.Unlock()
	if !same {
		s.env.Status(s.name, ok, sentence)
	}
}

// unclaimed counts a message that no point is fed from: the session remembers
// topics that are no longer in the site file. Each is given up, once.
func (s *source) unclaimed(c paho.Client, topic string) {
	s.env.Count("unclaimed-message")
	if !s.givenUp[topic] && len(s.givenUp) < 1000 {
		s.givenUp[topic] = true
		go c.Unsubscribe(topic) // may not be called from the handler
	}
}

// handle validates, parses and hands over one message.
func (s *source) handle(c paho.Client, emit sensors.Emit, acks *acks, m paho.Message) {
	l := s.link.Load()
	in := message{
		topic: m.Topic(), payload: m.Payload(),
		retained: m.Retained(), again: m.Duplicate(), queued: l.queued(),
	}
	var d sensors.Delivery
	switch to := s.topics[in.topic]; {
	case to != nil:
		d.Readings = to.readings(make([]sensors.Reading, 0, len(to.feeds)+len(to.available)), in, time.Now(), s.env.Count)
	case in.topic == s.fence.topic:
		if string(in.payload) == l.nonce {
			s.fence.works.Store(true)
			l.passFence()
		}
	default:
		s.unclaimed(c, in.topic)
	}
	if m.Qos() > 0 {
		d.Receipt = sensors.Receipt{Client: s.clientID, Packet: m.MessageID(), Again: in.again, Hash: hash(in.topic, in.payload)}
		acks.expect()
		// Acknowledgements go in the order of the messages (MQTT 3.1.1, section
		// 4.6), so one with nothing to keep waits its turn too.
		d.Kept = func() { acks.add(m) }
	} else if len(d.Readings) == 0 {
		return
	}
	emit(d)
}

// hash knows a message again across restarts of the box.
func hash(topic string, payload []byte) uint64 {
	var d xxhash.Digest
	d.Reset()
	_, _ = d.WriteString(topic) // a hash takes everything
	_, _ = d.Write([]byte{0})
	_, _ = d.Write(payload)
	return d.Sum64()
}
