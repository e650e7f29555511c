package broker

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

func start(t *testing.T, c Config) *Broker {
	t.Helper()
	if c.Listen == "" {
		c.Listen = "127.0.0.1:0"
	}
	b, err := Start(c, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	return b
}

// connect connects a client, and reports whether it was let in.
func connect(t *testing.T, b *Broker, name, password string, set func(*paho.ClientOptions)) (paho.Client, bool) {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + b.Address()).SetUsername(name).SetPassword(password).
		SetClientID("test-" + name).SetProtocolVersion(4).SetAutoReconnect(false)
	if set != nil {
		set(o)
	}
	c := paho.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(2 * time.Minute) {
		t.Fatal("no answer to the connection")
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c, token.Error() == nil
}

func box(t *testing.T, b *Broker, id string) paho.Client {
	t.Helper()
	name, password := b.Credential()
	c, ok := connect(t, b, name, password, func(o *paho.ClientOptions) { o.SetClientID(id) })
	if !ok {
		t.Fatal("the box's own client was not let in")
	}
	return c
}

func publish(t *testing.T, c paho.Client, topic, payload string) {
	t.Helper()
	token := c.Publish(topic, 1, false, payload)
	if !token.WaitTimeout(2*time.Minute) || token.Error() != nil {
		t.Fatalf("publishing %s on %s: %v", payload, topic, token.Error())
	}
}

var gateway = User{Name: "gateway", Password: "secret", Publish: []string{"plant/#"}, Subscribe: []string{"plant/out/#"}}

func TestWhoGetsIn(t *testing.T) {
	t.Parallel()
	b := start(t, Config{Users: []User{gateway}})
	for _, c := range []struct {
		user, password string
		in             bool
	}{
		{"gateway", "secret", true},
		{"gateway", "Secret", false},
		{"gateway", "", false},
		{"", "", false},
		{"nobody", "secret", false},
		{boxUser, "", false},
	} {
		if _, in := connect(t, b, c.user, c.password, nil); in != c.in {
			t.Errorf("%q with %q: let in %t, want %t", c.user, c.password, in, c.in)
		}
	}
}

// What a client may not publish must not come out as its will either: the
// server itself would let it.
func TestWillUnderTheSameRules(t *testing.T) {
	t.Parallel()
	b := start(t, Config{Users: []User{gateway}})
	if _, in := connect(t, b, "gateway", "secret", func(o *paho.ClientOptions) { o.SetWill("secret/state", "x", 1, true) }); in {
		t.Error("a client with a will outside its rights was let in")
	}
	if _, in := connect(t, b, "gateway", "secret", func(o *paho.ClientOptions) { o.SetWill("plant/state", "x", 1, true) }); !in {
		t.Error("a client with a will within its rights was not let in")
	}
}

func TestSubscriptionsAreLimited(t *testing.T) {
	t.Parallel()
	b := start(t, Config{Users: []User{gateway}})
	c, _ := connect(t, b, "gateway", "secret", nil)
	for filter, want := range map[string]byte{
		"plant/out/a": 1, "plant/out/#": 1, "plant/a": 128, "#": 128, "plant/+/a": 128,
		"$SYS/#": 128, "$SYS/broker/version": 128, "$share/g/plant/out/a": 128,
	} {
		token := c.Subscribe(filter, 1, func(paho.Client, paho.Message) {})
		if !token.WaitTimeout(2 * time.Minute) {
			t.Fatalf("%s: no answer", filter)
		}
		for _, code := range token.(*paho.SubscribeToken).Result() {
			if code != want {
				t.Errorf("%s: answered %d, want %d", filter, code, want)
			}
		}
	}
}

func TestReadFaults(t *testing.T) {
	t.Parallel()
	read := func(n sensors.Node) (Config, []error) {
		var faults []error
		return Read(n, &faults), faults
	}
	for _, n := range []sensors.Node{mapping("listen", "127.0.0.1:1883"), mapping("listen", "[::1]:1883"), mapping(), {Kind: sensors.Scalar, Text: "true"}} {
		if _, fs := read(n); len(fs) > 0 {
			t.Errorf("loopback without users: %v", fs)
		}
	}
	for _, listen := range []string{"0.0.0.0:1883", ":1883", "192.0.2.1:1883", "[::]:1883", "1883"} {
		if _, fs := read(mapping("listen", listen)); len(fs) != 1 {
			t.Errorf("%s without users: %v, want one fault", listen, fs)
		}
	}
	user := func(pairs ...any) sensors.Node {
		return mapping("listen", "0.0.0.0:1883", "users", sensors.Node{Kind: sensors.List, Items: []sensors.Node{mapping(pairs...)}})
	}
	c, fs := read(user("name", "gateway", "password_file", "secrets/gateway", "publish", "plant/#"))
	if len(fs) > 0 || c.Users[0].Secret != "/etc/site/secrets/gateway" || c.Users[0].Publish[0] != "plant/#" {
		t.Errorf("%+v %v", c, fs)
	}
	for why, n := range map[string]sensors.Node{
		"no password":   user("name", "gateway", "publish", "plant/#"),
		"two passwords": user("name", "gateway", "password", "a", "password_file", "b"),
		"no name":       user("password", "a"),
		"the box":       user("name", boxUser, "password", "a"),
		"filter":        user("name", "gateway", "password", "a", "publish", "plant#"),
		"own topics":    user("name", "gateway", "password", "a", "subscribe", "$SYS/#"),
		"cert alone":    mapping("cert_file", "a.pem"),
		"unknown key":   mapping("listens", "127.0.0.1:1"),
		"users":         mapping("users", "gateway"),
	} {
		if _, fs := read(n); len(fs) != 1 {
			t.Errorf("%s: %v, want one fault", why, fs)
		}
	}
}

// mapping makes settings of key, value pairs; a value is a text or a node.
func mapping(pairs ...any) sensors.Node {
	n := sensors.Node{File: "/etc/site/site.yaml", Line: 1, Column: 1, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		v, ok := pairs[i+1].(sensors.Node)
		if !ok {
			v = sensors.Node{File: n.File, Line: 1, Column: 1, Kind: sensors.Scalar, Text: pairs[i+1].(string)}
		}
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i].(string), Line: 1, Col: 1, Value: v})
	}
	return n
}

// Section 4.7 of MQTT 3.1.1 gives most of these.
func TestCovers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/tennis/player1/#", "sport/tennis/player2", false},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "a/b", true},
		{"a/b", "a/b", true},
		{"a/b", "a/B", false},
		{"a/b", "a", false},
		{"a", "a/b", false},
		// A subscription is covered only if all it can match is.
		{"a/#", "a/+", true},
		{"a/#", "a/#", true},
		{"a/+", "a/+", true},
		{"a/+", "a/#", false},
		{"a/b", "a/+", false},
		{"a/+", "#", false},
		{"+/b", "+/b", true},
		{"a/b", "+/b", false},
	} {
		if got := covers(c.filter, c.topic); got != c.want {
			t.Errorf("%s covers %s: %t, want %t", c.filter, c.topic, got, c.want)
		}
	}
}

// The list of retained messages is bounded; a topic already on it may change.
func TestRetainedIsBounded(t *testing.T) {
	t.Parallel()
	b := start(t, Config{})
	c := box(t, b, "writer")
	var last paho.Token
	for i := range mostRetained + 50 {
		last = c.Publish(fmt.Sprint("r/", i), 1, true, "x")
	}
	if !last.WaitTimeout(2 * time.Minute) {
		t.Fatal("publishing takes too long")
	}
	if n := b.server.Topics.Retained.Len(); n > mostRetained+20 { // and the server's own
		t.Errorf("%d messages are retained", n)
	}
	if !c.Publish("r/1", 1, true, "y").WaitTimeout(2 * time.Minute) {
		t.Fatal("no answer")
	}
	for _, m := range b.server.Topics.Messages("r/1") {
		if string(m.Payload) != "y" {
			t.Errorf("r/1 is %q, want y", m.Payload)
		}
	}
}

// A listener with a certificate is for others; the box's own clients stay on
// loopback, without.
func TestEncrypted(t *testing.T) {
	t.Parallel()
	cert, key, pool := certificate(t)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("from a file\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := start(t, Config{Cert: cert, Key: key, Users: []User{{Name: "gateway", Secret: secret, Publish: []string{"plant/#"}}}})
	if b.Address() == b.OwnAddress() {
		t.Error("the box's own clients would have to know the certificate")
	}
	c, in := connect(t, b, "gateway", "from a file", func(o *paho.ClientOptions) {
		o.Servers = nil
		o.AddBroker("tls://" + b.Address()).SetTLSConfig(&tls.Config{RootCAs: pool})
	})
	if !in {
		t.Fatal("not let in")
	}
	publish(t, c, "plant/a", "1")
	name, password := b.Credential()
	if _, in := connect(t, b, name, password, func(o *paho.ClientOptions) {
		o.Servers = nil
		o.AddBroker("tcp://" + b.OwnAddress())
	}); !in {
		t.Error("the box's own client is not let in")
	}
}

// A certificate that is renewed is shown from the next connection on; while the files
// do not belong together the last one serves.
func TestARenewedCertificate(t *testing.T) {
	t.Parallel()
	cert, key, _ := certificate(t)
	b := start(t, Config{Cert: cert, Key: key})
	shown := func() string {
		t.Helper()
		c, err := tls.Dial("tcp", b.Address(), &tls.Config{InsecureSkipVerify: true}) // looked at, not believed
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		return string(c.ConnectionState().PeerCertificates[0].Raw)
	}
	put := func(to, from string) {
		t.Helper()
		text, err := os.ReadFile(from)
		if err == nil {
			err = os.WriteFile(to, text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	first := shown()
	newCert, newKey, _ := certificate(t)
	put(cert, newCert)
	if shown() != first {
		t.Error("a certificate is shown whose key is not here yet")
	}
	put(key, newKey)
	if now := shown(); now == first {
		t.Error("the renewed certificate is not shown")
	}
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	if now := shown(); now == first {
		t.Error("the first certificate is shown again")
	}
}

// certificate makes one for loopback that signs itself.
func certificate(t *testing.T) (certFile, keyFile string, pool *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	err = errors.Join(os.WriteFile(certFile, certPEM, 0o600),
		os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER}), 0o600))
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	return certFile, keyFile, pool
}

// Who connects and says nothing is shown out; at most so many may stand in the door.
func TestSilentConnections(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		c, err := door{one{there}}.Accept()
		if err != nil {
			t.Fatal(err)
		}
		begun := time.Now()
		if _, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(begun) != toIntroduce {
			t.Errorf("%v after %s", err, time.Since(begun))
		}
		_, _ = here.Close(), there.Close()
	})
}

// one is a listener on which one connection waits.
type one struct{ conn net.Conn }

func (o one) Accept() (net.Conn, error) { return o.conn, nil }
func (o one) Close() error              { return nil }
func (o one) Addr() net.Addr            { return o.conn.LocalAddr() }

// A packet larger than any pack of readings ends its connection.
func TestPacketSize(t *testing.T) {
	t.Parallel()
	b := start(t, Config{})
	lost := make(chan bool)
	name, password := b.Credential()
	c, _ := connect(t, b, name, password, func(o *paho.ClientOptions) {
		o.SetConnectionLostHandler(func(paho.Client, error) { close(lost) })
	})
	c.Publish("t", 1, false, make([]byte, largestPacket+1))
	select {
	case <-lost:
	case <-time.After(2 * time.Minute):
		t.Error("the connection stands")
	}
}

// The source of sensors/mqtt on the broker within the box: a reading arrives
// with its unit and is acknowledged once it is kept.
func TestSourceOnTheBroker(t *testing.T) {
	t.Parallel()
	b := start(t, Config{})
	source, err := mqtt.Driver().New(sensors.Env{}, sensors.Config{
		Name: "box", Box: "b1", Device: mapping("url", "tcp://"+b.OwnAddress(), "user", boxUser, "password", b.password),
		Points: []sensors.Point{{Name: "gauge", Quantity: sensors.Vacuum, Unit: "micron", Settings: mapping("topic", "plant/gauge", "value", "/p", "seq", "/n")}},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	got := make(chan sensors.Delivery)
	done := make(chan error)
	go func() {
		done <- source.Run(ctx, func(d sensors.Delivery) {
			if len(d.Readings) == 0 {
				d.Kept() // the fence, by which the source knows that a backlog is over
				return
			}
			select {
			case got <- d:
			case <-ctx.Done():
			}
		})
	}()
	c := box(t, b, "publisher")
	var first sensors.Delivery
	for n := 1; first.Kept == nil; n++ { // until the source has subscribed
		publish(t, c, "plant/gauge", fmt.Sprintf(`{"p":%d,"n":7}`, 500))
		select {
		case first = <-got:
		case <-time.After(50 * time.Millisecond):
		}
	}
	r := first.Readings[0]
	// 101325/760 Pa is one millimetre of mercury, a thousand micron.
	if want := 66.661; r.Value != want || r.Seq != 7 || !r.HasSeq || r.Health.Grade != sensors.Good {
		t.Errorf("got %+v, want %g Pa with sequence 7", r, want)
	}
	first.Kept()
	id := mqtt.ClientID("b1", "box")
	for deadline := time.Now().Add(2 * time.Minute); ; {
		cl, _ := b.server.Clients.Get(id)
		if cl != nil && cl.State.Inflight.Len() == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the acknowledgement did not reach the broker")
		}
		time.Sleep(5 * time.Millisecond)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// More than the broker keeps for one client is published while the box's own
// client does not acknowledge: publishers wait, and nothing is lost.
func TestPublishersWaitForTheBox(t *testing.T) {
	t.Parallel()
	b := start(t, Config{})
	const messages = mostInflight + 3000
	held := make(chan paho.Message, messages)
	name, password := b.Credential()
	reader, _ := connect(t, b, name, password, func(o *paho.ClientOptions) {
		o.SetClientID("reader").SetAutoAckDisabled(true)
	})
	if token := reader.Subscribe("t", 1, func(_ paho.Client, m paho.Message) { held <- m }); !token.WaitTimeout(2 * time.Minute) {
		t.Fatal("no answer to the subscription")
	}
	sent := make(chan bool)
	writer := box(t, b, "writer")
	go func() {
		defer close(sent)
		var last paho.Token
		for i := range messages {
			last = writer.Publish("t", 1, false, fmt.Sprint(i))
		}
		last.WaitTimeout(2 * time.Minute)
	}()
	seen := map[string]bool{}
	var waiting []paho.Message
	for len(seen) < messages {
		quiet := 2 * time.Minute // what is missing after that is lost
		if len(waiting) > 0 {
			quiet = 500 * time.Millisecond // the publisher may wait for us
		}
		select {
		case m := <-held:
			seen[string(m.Payload())] = true
			waiting = append(waiting, m)
		case <-time.After(quiet):
			if len(waiting) == 0 {
				t.Fatalf("%d of %d messages came", len(seen), messages)
			}
			for _, m := range waiting {
				m.Ack()
			}
			waiting = nil
		}
	}
	<-sent
}
