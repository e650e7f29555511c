// Package broker is an MQTT broker within the box, for a site that has none.
//
// Its acknowledgement (PUBACK) means received, not kept: the message is then in
// this process's memory, and durable only after the next commit. What a power cut
// can take is therefore one commit interval, as with an instrument on a wire. A
// broker of its own with its own disk (mosquitto, say) has no such window: there the
// acknowledgement passes unbroken from the publisher to the journal.
//
// Where the box cannot keep up, publishers at QoS 1 are made to wait. Nothing that
// was acknowledged is dropped.
//
// Nobody gets in without a user and password, and a user publishes and reads only
// what the site file lists; wills are held to the same list. It listens on loopback
// unless told otherwise.
package broker

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"standwatch/sensors"
)

// Config is what stands under `embedded` of a broker's entry.
type Config struct {
	Listen    string // host:port; port 0: any free one
	Cert, Key string // files, read anew for each connection; both empty: no encryption
	Users     []User
}

// User is one who may connect.
type User struct {
	Name               string
	Password           string
	Secret             string   // file with the password
	Publish, Subscribe []string // topic filters
}

// Read reads
//
//	embedded:
//	  listen: 127.0.0.1:1883
//	  cert_file: broker.pem       # both needed to listen beyond loopback with encryption
//	  key_file: broker.key
//	  users:
//	    - name: gateway
//	      password_file: gateway.password
//	      publish: ["plant/#"]
//	      subscribe: ["standwatch/#"]
func Read(n sensors.Node, faults *[]error) Config {
	if n.Kind == sensors.Scalar && n.Text == "true" { // `embedded: true` is all defaults
		n = sensors.Node{File: n.File, Line: n.Line, Column: n.Column}
	}
	d := sensors.Decode(n, faults)
	c := Config{
		Listen: d.Text("listen", "127.0.0.1:0"),
		Cert:   d.Path("cert_file"),
		Key:    d.Path("key_file"),
	}
	users := d.Node("users")
	for _, u := range users.Items {
		c.Users = append(c.Users, readUser(u, c.Users, faults))
	}
	if users.Kind != sensors.Nothing && users.Kind != sensors.List {
		d.Fail(users, "users should be a list", "write - name: ...")
	}
	at := d.Node("listen")
	host, _, err := net.SplitHostPort(c.Listen)
	switch {
	case err != nil:
		d.Fail(at, fmt.Sprintf("listen: %q is not an address with a port", c.Listen), "write 127.0.0.1:1883")
	case !loopback(host) && len(c.Users) == 0:
		d.Fail(at, fmt.Sprintf("listen: %s is beyond this machine, and there are no users", c.Listen), "add users, each with a password and what it may publish")
	}
	if (c.Cert == "") != (c.Key == "") {
		d.Fail(n, "cert_file and key_file go together", "give both or neither")
	}
	d.Done()
	return c
}

func readUser(n sensors.Node, before []User, faults *[]error) User {
	d := sensors.Decode(n, faults)
	u := User{
		Name: d.Required("name"), Password: d.Text("password", ""), Secret: d.Path("password_file"),
		Publish: filters(d, "publish"), Subscribe: filters(d, "subscribe"),
	}
	if u.Name == boxUser {
		d.Fail(d.Node("name"), fmt.Sprintf("name: %q is the box's own", boxUser), "choose another name")
	}
	for _, b := range before {
		if b.Name == u.Name {
			d.Fail(d.Node("name"), fmt.Sprintf("name: there is a user %q already", u.Name), "choose another name")
		}
	}
	if (u.Password == "") == (u.Secret == "") {
		d.Fail(n, "a user has one password", "add password_file: ... (or password: ...)")
	}
	d.Done()
	return u
}

func filters(d *sensors.Decoder, key string) []string {
	fs := d.Texts(key)
	for _, f := range fs {
		if !validFilter(f) {
			d.Fail(d.Node(key), fmt.Sprintf("%s: %q is not a topic filter", key, f), "write plant/# or plant/+/temperature")
		}
	}
	return fs
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Limits. A start-up site has tens of instruments, not thousands.
const (
	mostClients     = 64
	mostRetained    = 1000
	largestPacket   = 128 << 10 // a SenML pack of 64 KiB and room to spare
	mostInflight    = 8192      // messages waiting for one client
	sessionSeconds  = 24 * 3600 // a session outlives its connection by at most this
	statusSeconds   = 24 * 3600 // between its own status topics, which nobody may read
	boxUser         = "standwatch"
	attemptsAtATime = 8 // wrong passwords a second, over all connections
)

// Broker is the running broker.
type Broker struct {
	server   *mochi.Server
	address  string // for everybody
	own      string // for the box's own clients: loopback, without encryption
	password string
}

// Start listens and serves until Close.
func Start(c Config, log *slog.Logger) (*Broker, error) {
	access, err := newAccess(c.Users, log)
	if err != nil {
		return nil, err
	}
	b := &Broker{password: rand.Text()}
	access.add(boxUser, b.password, []string{"#"}, []string{"#"})

	limits := mochi.NewDefaultServerCapabilities()
	limits.MaximumClients = mostClients
	limits.MaximumPacketSize = largestPacket
	limits.MaximumInflight = mostInflight
	limits.ReceiveMaximum = mostInflight
	limits.MaximumClientWritesPending = mostInflight
	limits.MaximumSessionExpiryInterval = sessionSeconds
	// Off: it goes by the wall clock, and one step of that would wipe everything retained.
	limits.MaximumMessageExpiryInterval = 0
	limits.SharedSubAvailable = 0
	b.server = mochi.New(&mochi.Options{
		Capabilities: limits, Logger: slog.New(chatter{log.Handler()}),
		SysTopicResendInterval: statusSeconds,
		// Large, since the box's own acknowledgements come by the thousand.
		ClientNetReadBufferSize: 16 << 10, ClientNetWriteBufferSize: 16 << 10,
	})
	access.server = b.server
	if err := b.server.AddHook(access, nil); err != nil {
		return nil, err
	}
	if b.address, err = b.listen("all", c, log); err != nil {
		return nil, err
	}
	b.own = b.address
	if host, _, _ := net.SplitHostPort(b.address); c.Cert != "" || !loopback(host) {
		if b.own, err = b.listen("own", Config{Listen: "127.0.0.1:0"}, log); err != nil {
			return nil, err
		}
	}
	return b, b.server.Serve()
}

func (b *Broker) listen(id string, c Config, log *slog.Logger) (address string, err error) {
	l, err := listener(c, log)
	if err == nil {
		err = b.server.AddListener(listeners.NewNet(id, l))
	}
	if err != nil {
		_ = b.server.Close()
		if errors.Is(err, syscall.EADDRINUSE) {
			err = fmt.Errorf("%w; end what else listens there (another box, a mosquitto), or give it a free address", err)
		}
		return "", fmt.Errorf("the broker within the box cannot listen on %s: %w", c.Listen, err)
	}
	return l.Addr().String(), nil
}

// Address is where it listens: host and port.
func (b *Broker) Address() string { return b.address }

// Credential is a user and password made for this run, for the box's own
// clients in this process. They may publish and read everything.
func (b *Broker) Credential() (user, password string) { return boxUser, b.password }

// OwnAddress is where the box's own clients connect: always loopback, without encryption.
func (b *Broker) OwnAddress() string { return b.own }

// Close ends all connections.
func (b *Broker) Close() error { return b.server.Close() }

// access decides who may do what.
type access struct {
	mochi.HookBase
	log    *slog.Logger
	server *mochi.Server
	users  map[string]user
	nobody [sha256.Size]byte // compared where there is no such user, so that it takes as long
	tries  chan struct{}     // slots for wrong passwords, which are answered slowly

	mu  sync.Mutex
	own map[string]*mochi.Client // the box's own sessions, by client id
}

type user struct {
	password           [sha256.Size]byte
	publish, subscribe []string
}

func newAccess(users []User, log *slog.Logger) (*access, error) {
	a := &access{log: log, users: map[string]user{}, own: map[string]*mochi.Client{}, tries: make(chan struct{}, attemptsAtATime)}
	_, _ = rand.Read(a.nobody[:]) // never fails
	for _, u := range users {
		password := u.Password
		if u.Secret != "" {
			b, err := os.ReadFile(u.Secret)
			if err != nil {
				return nil, fmt.Errorf("password of the broker's user %s: %w", u.Name, err)
			}
			password = strings.TrimRight(string(b), "\r\n")
		}
		if password == "" {
			return nil, fmt.Errorf("the broker's user %s has an empty password", u.Name)
		}
		a.add(u.Name, password, u.Publish, u.Subscribe)
	}
	return a, nil
}

func (a *access) add(name, password string, publish, subscribe []string) {
	a.users[name] = user{sha256.Sum256([]byte(password)), publish, subscribe}
}

// right compares a password in a time that tells nothing.
func (a *access) right(name string, password []byte) bool {
	u, known := a.users[name]
	want := u.password
	if !known {
		want = a.nobody
	}
	got := sha256.Sum256(password)
	return subtle.ConstantTimeCompare(got[:], want[:]) == 1 && known
}
