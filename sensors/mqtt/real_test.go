package mqtt

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// mosquitto is a real broker for one test.
type mosquitto struct {
	t    testing.TB
	dir  string
	port int
	conf string
	cmd  *exec.Cmd
}

// program finds a program that deploy/check installs.
func program(t testing.TB, name string) string {
	t.Helper()
	for _, dir := range []string{"", "/usr/sbin/", "/usr/local/sbin/"} { // Debian puts the broker where only root looks
		if p, err := exec.LookPath(dir + name); err == nil {
			return p
		}
	}
	t.Fatalf("%s is not installed: run deploy/check, which installs it", name)
	return ""
}

// newMosquitto writes a configuration that keeps sessions over a restart and
// drops nothing, as the package comment asks for; more is appended to it.
func newMosquitto(t testing.TB, more string) *mosquitto {
	t.Helper()
	m := &mosquitto{t: t, dir: t.TempDir(), port: freePort(t)}
	m.conf = filepath.Join(m.dir, "mosquitto.conf")
	who := ""
	if os.Getuid() == 0 {
		who = "user root\n" // or it gives up root and may not write to the folder
	}
	m.write("mosquitto.conf", who+fmt.Sprintf(`persistence true
persistence_location %s/
autosave_interval 1
autosave_on_changes true
max_queued_messages 0
max_inflight_messages 0
log_dest file %s/log
listener %d 127.0.0.1
%s
`, m.dir, m.dir, m.port, more))
	return m
}

func (m *mosquitto) write(name, text string) string {
	m.t.Helper()
	path := filepath.Join(m.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
	return path
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func (m *mosquitto) start() *mosquitto {
	m.t.Helper()
	m.cmd = exec.Command(program(m.t, "mosquitto"), "-c", m.conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	cmd := m.cmd
	m.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	for end := time.Now().Add(2 * time.Minute); ; {
		c, err := net.Dial("tcp", m.address())
		if err == nil {
			_ = c.Close()
			return m
		}
		if time.Now().After(end) {
			log, _ := os.ReadFile(filepath.Join(m.dir, "log"))
			m.t.Fatalf("mosquitto does not listen: %s", log)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// stop ends the broker: orderly, or as a power cut does.
func (m *mosquitto) stop(how syscall.Signal) {
	m.t.Helper()
	if err := m.cmd.Process.Signal(how); err != nil {
		m.t.Fatal(err)
	}
	_ = m.cmd.Wait()
}

func (m *mosquitto) address() string { return "127.0.0.1:" + strconv.Itoa(m.port) }

// user makes a password file with Debian's own program.
func (m *mosquitto) user(name, password string) string {
	m.t.Helper()
	path := filepath.Join(m.dir, "passwords")
	args := []string{"-b", path, name, password}
	if _, err := os.Stat(path); err != nil {
		args = append([]string{"-c"}, args...)
	}
	if out, err := exec.Command(program(m.t, "mosquitto_passwd"), args...).CombinedOutput(); err != nil {
		m.t.Fatalf("%v: %s", err, out)
	}
	return path
}

// publisher is a client of its own.
func (m *mosquitto) publisher(set func(*paho.ClientOptions)) paho.Client {
	m.t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + m.address()).SetClientID("publisher").SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond)
	o.SetMaxReconnectInterval(100 * time.Millisecond)
	if set != nil {
		set(o)
	}
	c := paho.NewClient(o)
	if token := c.Connect(); !token.WaitTimeout(2*time.Minute) || token.Error() != nil {
		m.t.Fatal("the publisher does not connect: ", token.Error())
	}
	m.t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func publish(t testing.TB, c paho.Client, topic string, retained bool, payload string) {
	t.Helper()
	if token := c.Publish(topic, 1, retained, payload); !token.WaitTimeout(2*time.Minute) || token.Error() != nil {
		t.Fatalf("publishing on %s: %v", topic, token.Error())
	}
}

// running is a source at work, and what came of it.
type running struct {
	t      testing.TB
	cancel context.CancelFunc
	done   chan error
	got    chan sensors.Delivery
	mu     sync.Mutex
	status string
	ok     bool
	counts map[string]int
}

// run starts a source whose deliveries wait in r.got until the test takes them.
func run(t testing.TB, broker sensors.Node, tune func(*source), points ...sensors.Point) *running {
	t.Helper()
	r := &running{t: t, done: make(chan error, 1), got: make(chan sensors.Delivery), counts: map[string]int{}}
	env := sensors.Env{
		Status: func(_ string, ok bool, s string) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.ok, r.status = ok, s
		},
		Count: func(what string) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.counts[what]++
		},
	}
	s, err := newSource(env, sensors.Config{Name: "site", Box: "box1", Device: broker, Points: points})
	if err != nil {
		t.Fatal(err)
	}
	if tune != nil {
		tune(s.(*source))
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	go func() {
		r.done <- s.Run(ctx, func(d sensors.Delivery) {
			select {
			case r.got <- d:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(r.stop)
	return r
}

func (r *running) stop() {
	r.cancel()
	select {
	case err := <-r.done:
		if err != nil {
			r.t.Error(err)
		}
		r.done <- nil
	case <-time.After(2 * time.Minute):
		r.t.Error("the source does not stop")
	}
}

// await waits for a state of the source.
func (r *running) await(ok bool, part string) {
	r.t.Helper()
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(5 * time.Millisecond) {
		r.mu.Lock()
		there := r.ok == ok && strings.Contains(r.status, part)
		last := r.status
		r.mu.Unlock()
		if there {
			return
		}
		if time.Now().After(end) {
			r.t.Fatalf("the source says %q, not %q", last, part)
		}
	}
}

// next takes one delivery with readings and does not keep it. Those without
// (fences, what is only counted) are kept on the way.
func (r *running) next() sensors.Delivery {
	r.t.Helper()
	for {
		select {
		case d := <-r.got:
			if len(d.Readings) > 0 {
				return d
			}
			d.Kept()
		case <-time.After(2 * time.Minute):
			r.t.Fatal("no message came")
		}
	}
}

// keep takes one delivery, keeps it, and shows its readings.
func (r *running) keep() string {
	r.t.Helper()
	d := r.next()
	if d.Kept != nil {
		d.Kept()
	}
	return show(d.Readings)
}

func (r *running) silent(d time.Duration) {
	r.t.Helper()
	for end := time.After(d); ; {
		select {
		case d := <-r.got:
			if len(d.Readings) > 0 {
				r.t.Errorf("%s came", show(d.Readings))
			}
			d.Kept()
		case <-end:
			return
		}
	}
}

func plainBroker(m *mosquitto) sensors.Node {
	return node("url", "tcp://"+m.address(), "retry", "50ms")
}

const anybody = "allow_anonymous true"

func TestRealLive(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	r := run(t, plainBroker(m), nil,
		point("gauge", sensors.Vacuum, "micron", "topic", "plant/gauge", "value", "/p"),
		point("pipe", sensors.Temperature, "C", "topic", "plant/pipe"))
	r.await(true, "2 topics")
	c := m.publisher(nil)
	publish(t, c, "plant/gauge", false, `{"p":1000}`)
	publish(t, c, "plant/pipe", false, "77 F")
	publish(t, c, "plant/pipe", false, "rubbish")
	for _, want := range []string{"gauge=133.322", "pipe=25", "pipe=failed(garbage)"} {
		if got := r.keep(); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}

func TestRealRetained(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	c := m.publisher(nil)
	publish(t, c, "a", true, "21")
	publish(t, c, "b", true, `{"v":22,"t":1764021000}`)
	publish(t, c, "lwt", true, "offline")
	r := run(t, plainBroker(m), nil,
		point("a", sensors.Temperature, "C", "topic", "a"),
		point("b", sensors.Temperature, "C", "topic", "b", "value", "/v", "time", "/t"),
		point("c", sensors.Temperature, "C", "topic", "c", "availability", node("topic", "lwt")))
	got := map[string]bool{}
	for range 2 {
		got[r.keep()] = true
	}
	for _, want := range []string{"b=suspect(retained)22@1764021000000", "c=failed(offline)"} {
		if !got[want] {
			t.Errorf("no %q among %v", want, got)
		}
	}
	publish(t, c, "a", true, "23") // published now: the broker passes it on as live
	if got := r.keep(); got != "a=23" {
		t.Errorf("%s, want a=23", got)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.counts["retained-without-time"] != 1 {
		t.Errorf("counted %v", r.counts)
	}
}

// A last will reaches the points of the gateway that died.
func TestRealLastWill(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	r := run(t, plainBroker(m), nil, point("a", sensors.Temperature, "C", "topic", "a", "availability", node("topic", "gw/status")))
	r.await(true, "connected")
	conn, err := net.Dial("tcp", m.address())
	if err != nil {
		t.Fatal(err)
	}
	// CONNECT of MQTT 3.1.1 with a will, written out, so that the socket can be cut.
	body := "\x00\x04MQTT\x04\x0e\x00\x3c\x00\x02gw\x00\x09gw/status\x00\x07offline"
	if _, err := conn.Write(append([]byte{0x10, byte(len(body))}, body...)); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Read(make([]byte, 4)); err != nil {
		t.Fatal(err)
	}
	_ = conn.Close()
	if got := r.keep(); got != "a=failed(offline)" {
		t.Errorf("%s, want the point offline", got)
	}
}

// The broker is absent at the start, comes, goes and comes again.
func TestRealAbsentBroker(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody)
	r := run(t, plainBroker(m), nil, point("a", sensors.Temperature, "C", "topic", "a"))
	r.await(false, "not reached")
	m.start()
	r.await(true, "connected")
	publish(t, m.publisher(nil), "a", false, "21")
	if got := r.keep(); got != "a=21" {
		t.Error(got)
	}
	r.silent(200 * time.Millisecond) // the acknowledgement arrives
	m.stop(syscall.SIGTERM)
	r.await(false, "")
	m.start()
	r.await(true, "connected")
	publish(t, m.publisher(func(o *paho.ClientOptions) { o.SetClientID("second") }), "a", false, "22")
	if got := r.keep(); got != "a=22" {
		t.Error(got)
	}
}

// What is published while the box is away waits at the broker, also over a
// power cut of the broker, and comes once and in order, marked as having waited.
func TestRealSessionKept(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	points := []sensors.Point{
		point("bare", sensors.Temperature, "C", "topic", "bare"),
		point("timed", sensors.Temperature, "C", "topic", "timed", "value", "/v", "time", "/t"),
	}
	r := run(t, plainBroker(m), nil, points...)
	r.await(true, "connected")
	r.stop()

	c := m.publisher(nil)
	const messages = 300
	for i := range messages {
		publish(t, c, "bare", false, strconv.Itoa(i%100))
	}
	publish(t, c, "timed", false, `{"v":22,"t":1764021000}`)
	c.Disconnect(100)
	time.Sleep(2500 * time.Millisecond) // the broker saves once a second
	m.stop(syscall.SIGKILL)
	m.start()

	r = run(t, plainBroker(m), nil, points...)
	for i := range messages {
		if got, want := r.keep(), fmt.Sprintf("bare=suspect(queued)%d", i%100); got != want {
			t.Fatalf("message %d: %s, want %s", i, got, want)
		}
	}
	if got := r.keep(); got != "timed=22@1764021000000" {
		t.Errorf("%s, want a good reading with its own time", got)
	}
	r.await(true, "connected")
	publish(t, m.publisher(func(o *paho.ClientOptions) { o.SetClientID("later") }), "bare", false, "5")
	if got := r.keep(); got != "bare=5" {
		t.Errorf("%s, want a live reading", got)
	}
	r.silent(300 * time.Millisecond)
}

// A broker that has only 20 messages in flight, as by default, sends the rest
// of a backlog after the answer to the subscription: still told as having waited.
func TestRealQueuedBeyondTheWindow(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, "")
	m.write("mosquitto.conf", strings.Replace(string(must(os.ReadFile(m.conf))), "max_inflight_messages 0", "max_inflight_messages 20", 1)+anybody+"\n")
	m.start()
	p := point("a", sensors.Temperature, "C", "topic", "a")
	r := run(t, plainBroker(m), nil, p)
	r.await(true, "connected")
	r.stop()
	c := m.publisher(nil)
	const messages = 200
	for i := range messages {
		publish(t, c, "a", false, strconv.Itoa(i%100))
	}
	r = run(t, plainBroker(m), nil, p)
	for i := range messages {
		if got, want := r.keep(), fmt.Sprintf("a=suspect(queued)%d", i%100); got != want {
			t.Fatalf("message %d: %s, want %s", i, got, want)
		}
	}
	r.await(true, "connected") // and so its fence is up
	publish(t, c, "a", false, "5")
	if got := r.keep(); got != "a=5" {
		t.Errorf("%s, want a live reading", got)
	}
}

// A user with the right to read only cannot raise its fence: this broker
// closes the connection on it, once, and everything else works.
func TestRealReadOnly(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, "")
	acl := m.write("acl", "user box\ntopic read a\nuser gateway\ntopic a\n")
	m.user("box", "x")
	passwords := m.user("gateway", "x")
	m.write("mosquitto.conf", string(must(os.ReadFile(m.conf)))+"allow_anonymous false\npassword_file "+passwords+"\nacl_file "+acl+"\n")
	m.start()
	r := run(t, node("url", "tcp://"+m.address(), "user", "box", "password", "x", "retry", "50ms"), nil,
		point("a", sensors.Temperature, "C", "topic", "a"))
	r.await(true, "connected")
	c := m.publisher(func(o *paho.ClientOptions) { o.SetUsername("gateway").SetPassword("x") })
	live := 0
	for end := time.Now().Add(2 * time.Minute); live < 5; time.Sleep(50 * time.Millisecond) {
		publish(t, c, "a", false, "1")
		if r.keep() == "a=1" {
			live++
		}
		if time.Now().After(end) {
			t.Fatal("no live readings")
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if n := r.counts["broker-connection-lost"]; n > 1 {
		t.Errorf("the connection was lost %d times", n)
	}
}

// What the session remembers of an older site file is counted and given up.
func TestRealForgottenTopic(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	r := run(t, plainBroker(m), nil, point("a", sensors.Temperature, "C", "topic", "a"), point("b", sensors.Temperature, "C", "topic", "b"))
	r.await(true, "2 topics")
	r.stop()
	r = run(t, plainBroker(m), nil, point("a", sensors.Temperature, "C", "topic", "a"))
	r.await(true, "1 topics")
	c := m.publisher(nil)
	count := func() int {
		r.mu.Lock()
		defer r.mu.Unlock()
		return r.counts["unclaimed-message"]
	}
	publish(t, c, "b", false, "1")
	for last, end := "", time.Now().Add(2*time.Minute); last != "a=2"; last = r.keep() {
		publish(t, c, "b", false, "1")
		publish(t, c, "a", false, "2")
		if time.Now().After(end) {
			t.Fatal("the point's own topic is not read")
		}
	}
	time.Sleep(500 * time.Millisecond)
	n := count()
	publish(t, c, "b", false, "1")
	time.Sleep(300 * time.Millisecond)
	if n == 0 || count() != n {
		t.Errorf("%d messages counted, then %d", n, count())
	}
}

// What was taken but not kept comes again after a restart of the box, under
// the same receipt; what was kept does not.
func TestRealUnkeptComesAgain(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	p := point("a", sensors.Temperature, "C", "topic", "a")
	r := run(t, plainBroker(m), nil, p)
	r.await(true, "connected")
	c := m.publisher(nil)
	for _, v := range []string{"1", "2", "3"} {
		publish(t, c, "a", false, v)
	}
	first := r.next()
	second := r.next()
	first.Kept()
	r.stop()
	if first.Receipt.Hash == second.Receipt.Hash || first.Receipt.Client != "standwatch-box1-site" || first.Receipt.Packet == second.Receipt.Packet {
		t.Errorf("receipts %+v and %+v", first.Receipt, second.Receipt)
	}
	r = run(t, plainBroker(m), nil, p)
	again := r.next()
	if want := second.Receipt; again.Receipt.Packet != want.Packet || again.Receipt.Hash != want.Hash || !again.Receipt.Again || again.Receipt.Client != want.Client {
		t.Errorf("receipt %+v, want %+v, sent again", again.Receipt, want)
	}
	if got := show(again.Readings); got != "a=suspect(redelivered)2" {
		t.Error(got)
	}
	again.Kept()
	third := r.next()
	if third.Readings[0].Value != 3 {
		t.Errorf("then %s, want 3", show(third.Readings))
	}
	third.Kept()
	r.silent(300 * time.Millisecond)
}

// The daemon's queue stands still for longer than the client waits for the
// answer to its ping: the connection is given up, made again, and nothing is lost.
func TestRealStall(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, anybody).start()
	r := run(t, plainBroker(m), func(s *source) { s.keepAlive, s.pingTimeout = 2*time.Second, time.Second },
		point("a", sensors.Mass, "kg", "topic", "a"))
	r.await(true, "connected")
	c := m.publisher(nil)
	const messages = 200
	for i := range messages {
		publish(t, c, "a", false, strconv.Itoa(i))
	}
	time.Sleep(8 * time.Second) // nothing is taken meanwhile
	seen := map[float64]bool{}
	connections := 0
	for len(seen) < messages {
		d := r.next()
		d.Kept()
		if d.Readings[0].Value == 0 {
			connections++
		}
		seen[d.Readings[0].Value] = true
	}
	if connections > 2 {
		t.Errorf("the first message came %d times", connections)
	}
	r.await(true, "connected")
	publish(t, c, "a", false, "1000")
	for {
		d := r.next()
		d.Kept()
		if d.Readings[0].Value == 1000 {
			break
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if n := r.counts["broker-connection-lost"]; n != 1 {
		t.Errorf("the connection was lost %d times, want once", n)
	}
}

func TestRealPassword(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, "")
	m.write("mosquitto.conf", string(must(os.ReadFile(m.conf)))+"allow_anonymous false\npassword_file "+m.user("box", "right")+"\n")
	m.start()
	secret := m.write("secret", "wrong\n")
	r := run(t, node("url", "tcp://"+m.address(), "user", "box", "password_file", secret, "retry", "50ms"), nil,
		point("a", sensors.Temperature, "C", "topic", "a"))
	r.await(false, "not Authorized")
	m.write("secret", "right\n") // taken at the next attempt
	r.await(true, "connected")
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// authority makes a private certificate authority and a pair for the broker.
func authority(m *mosquitto) (ca, cert, key string) {
	m.t.Helper()
	newKey := func() *ecdsa.PrivateKey { return must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader)) }
	encode := func(name, kind string, der []byte) string {
		return m.write(name, string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})))
	}
	caKey, brokerKey := newKey(), newKey()
	root := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	leaf := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "broker"},
		NotBefore: root.NotBefore, NotAfter: root.NotAfter, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	rootDER := must(x509.CreateCertificate(rand.Reader, root, root, &caKey.PublicKey, caKey))
	leafDER := must(x509.CreateCertificate(rand.Reader, leaf, root, &brokerKey.PublicKey, caKey))
	keyDER := must(x509.MarshalECPrivateKey(brokerKey))
	return encode("ca.pem", "CERTIFICATE", rootDER), encode("broker.pem", "CERTIFICATE", leafDER), encode("broker.key", "EC PRIVATE KEY", keyDER)
}

func TestRealTLS(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, "")
	ca, cert, key := authority(m)
	m.write("mosquitto.conf", string(must(os.ReadFile(m.conf)))+
		fmt.Sprintf("allow_anonymous true\ncertfile %s\nkeyfile %s\n", cert, key))
	m.start()
	p := point("a", sensors.Temperature, "C", "topic", "a")

	stranger := run(t, node("url", "tls://"+m.address(), "retry", "50ms"), nil, p)
	stranger.await(false, "certificate") // signed by nobody the system trusts
	stranger.stop()

	r := run(t, node("url", "mqtts://"+m.address(), "ca_file", ca, "retry", "50ms"), nil, p)
	r.await(true, "connected")
}

// A broker that asks for our certificate gets it; without it we are not let in.
func TestRealClientCertificate(t *testing.T) {
	t.Parallel()
	m := newMosquitto(t, "")
	ca, cert, key := authority(m)
	m.write("mosquitto.conf", string(must(os.ReadFile(m.conf)))+
		fmt.Sprintf("allow_anonymous true\ncafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n", ca, cert, key))
	m.start()
	p := point("a", sensors.Temperature, "C", "topic", "a")
	without := run(t, node("url", "tls://"+m.address(), "ca_file", ca, "retry", "50ms"), nil, p)
	without.await(false, "not reached")
	without.stop()
	r := run(t, node("url", "tls://"+m.address(), "ca_file", ca, "client_cert_file", cert, "client_key_file", key, "retry", "50ms"), nil, p)
	r.await(true, "connected")
}
