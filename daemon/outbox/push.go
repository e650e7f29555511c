package outbox

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/mail"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// PushConfig is the `push` part of the site file: notifications to phones on
// which the page is installed, by the push service of each phone's maker.
type PushConfig struct {
	Contact string // whom a push service may ask about the box: mailto:... or https://...; empty: nobody
}

func readPush(n sensors.Node, faults *[]error) PushConfig {
	d := sensors.Decode(n, faults)
	c := PushConfig{Contact: d.Text("contact", "")}
	if c.Contact != "" && !strings.HasPrefix(c.Contact, "https://") {
		a, err := mail.ParseAddress(strings.TrimPrefix(c.Contact, "mailto:")) // never written twice
		_, host, _ := strings.Cut(c.Contact, "@")
		switch {
		case err != nil || a.Name != "":
			d.Fail(d.Node("contact"), fmt.Sprintf("contact: %q is neither a mail address nor an https address", c.Contact), "write office@example.org")
		case host == "localhost" || strings.HasSuffix(host, ".local") || strings.HasSuffix(host, ".invalid"):
			d.Fail(d.Node("contact"), fmt.Sprintf("contact: %q is no address that the world knows, and push services refuse it", c.Contact), "write one that gets mail")
		default:
			c.Contact = "mailto:" + a.Address
		}
	}
	d.Done()
	return c
}

// Device is a browser that takes pushes for a person.
type Device struct {
	ID       string // of its address; no secret
	Person   string
	Name     string // as the person calls it
	Endpoint string // the secret address at the push service
	Key      string // the browser's public key
	Secret   string // that it shared
	WakeOnly bool
	Added    time.Time // by the box's clock
	Last     time.Time // when the push service took the last message; zero: none yet
	Trouble  string    // what it said instead
}

// PushShelf keeps devices and the box's key.
type PushShelf interface {
	Shelf
	Each(ctx context.Context, f func(key string, body []byte) error) error
	Drop(key string) error
}

// Push is all devices that take pushes.
type Push struct {
	p      PushParts
	travel http.RoundTripper

	own vapid

	one    sync.Mutex // one message at a time
	beside sync.Mutex // and one beside the queue, which waits for none whose words on how it went a disk holds up

	mu      sync.Mutex               // guards what follows
	ahead   map[string]time.Duration // a push service's clock less the machine's, by its host
	pending map[string]*pending      // by whom it is for
}

// pending is a message that not all of somebody's phones have yet.
type pending struct {
	key   string
	sent  map[string]bool // devices that have it
	tries int
}

// PushParts is what pushes are made of.
type PushParts struct {
	Config    PushConfig
	Shelf     PushShelf
	Now       func() time.Time                              // the box's clock, for what is shown
	Known     func(ctx context.Context, person string) bool // nil: everybody is; what belongs to somebody who is gone is dropped
	Flags     string                                        // where a tap leads that acknowledges nothing: the flags' page
	Log       *slog.Logger
	Transport http.RoundTripper // nil: directly, to public addresses only
}

// Bounds on what a person may subscribe.
const (
	mostDevices  = 50
	mostEndpoint = 1000 // bytes; what push services give is a few hundred
	vapidKey     = "key"
	deviceKey    = "device "
)

// OpenPush reads the box's key for pushes, and makes one where there is none.
func OpenPush(ctx context.Context, p PushParts) (*Push, error) {
	x := &Push{p: p, travel: p.Transport, ahead: map[string]time.Duration{}, pending: map[string]*pending{}}
	if x.travel == nil {
		t := transport(nil)
		t.DialContext = (&net.Dialer{Timeout: 10 * time.Second, Control: publicOnly}).DialContext
		x.travel = t
	}
	ok, err := p.Shelf.Get(ctx, vapidKey, &x.own)
	if err == nil && !ok {
		if x.own, err = makeVapid(); err == nil {
			err = p.Shelf.Put(vapidKey, x.own)
		}
	}
	if err == nil {
		_, err = x.own.key()
	}
	if err != nil {
		return nil, fmt.Errorf("the key for pushes: %w", err)
	}
	return x, nil
}

// publicOnly refuses to connect to what is not on the internet: a browser names
// the address, and the box must not be made to knock at its neighbours' doors.
func publicOnly(network, address string, _ syscall.RawConn) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil {
		return err
	}
	ip := at.Addr().Unmap()
	if !ip.IsGlobalUnicast() || ip.IsPrivate() {
		return fmt.Errorf("%s is no push service's address", ip)
	}
	return nil
}

// PublicKey is what a browser binds its subscription to.
func (x *Push) PublicKey() string { return x.own.Public }

// ErrDevice says that what a browser sent is no subscription.
var ErrDevice = errors.New("this is no subscription for pushes")

// ErrDevices says that there are too many.
var ErrDevices = errors.New("too many phones are subscribed")

// Add subscribes a device, or renews it.
func (x *Push) Add(ctx context.Context, d Device) (id string, err error) {
	u, err := url.Parse(d.Endpoint)
	if err != nil || u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.Port() != "" && u.Port() != "443" || len(d.Endpoint) > mostEndpoint {
		return "", ErrDevice
	}
	key, err := webText.DecodeString(strings.TrimRight(d.Key, "="))
	secret, err2 := webText.DecodeString(strings.TrimRight(d.Secret, "="))
	if err != nil || err2 != nil || len(secret) != 16 {
		return "", ErrDevice
	}
	if _, err := sealPush([]byte("x"), key, secret); err != nil {
		return "", ErrDevice
	}
	d.Key, d.Secret = webText.EncodeToString(key), webText.EncodeToString(secret)
	sum := sha256.Sum256([]byte(d.Endpoint))
	d.ID, d.Added, d.Last, d.Trouble = hex.EncodeToString(sum[:8]), x.p.Now(), time.Time{}, ""
	all, err := x.List(ctx, "")
	if err != nil {
		return "", err
	}
	if len(all) >= mostDevices && !slices.ContainsFunc(all, func(o Device) bool { return o.ID == d.ID }) {
		return "", ErrDevices
	}
	return d.ID, x.p.Shelf.Put(deviceKey+d.ID, d)
}

// List lists a person's devices; of everybody where the name is empty.
func (x *Push) List(ctx context.Context, person string) (all []Device, err error) {
	err = x.p.Shelf.Each(ctx, func(key string, body []byte) error {
		if !strings.HasPrefix(key, deviceKey) {
			return nil
		}
		var d Device
		if err := json.Unmarshal(body, &d); err != nil {
			return err
		}
		if person == "" || d.Person == person {
			all = append(all, d)
		}
		return nil
	})
	slices.SortFunc(all, func(a, b Device) int { return cmp.Or(a.Added.Compare(b.Added), cmp.Compare(a.ID, b.ID)) })
	return all, err
}

// Remove ends a person's device; anybody's where the name is empty.
func (x *Push) Remove(ctx context.Context, person, id string) error {
	if _, ok, err := x.device(ctx, person, id); err != nil || !ok {
		return err
	}
	return x.p.Shelf.Drop(deviceKey + id)
}

func (x *Push) device(ctx context.Context, person, id string) (d Device, ok bool, err error) {
	ok, err = x.p.Shelf.Get(ctx, deviceKey+id, &d)
	return d, ok && (person == "" || d.Person == person), err
}

// Try sends a device a message that says it is a test.
func (x *Push) Try(ctx context.Context, person, id, sentence string) error {
	d, ok, err := x.device(ctx, person, id)
	if err != nil || !ok {
		return cmp.Or(err, ErrDevice)
	}
	x.one.Lock()
	defer x.one.Unlock()
	return x.push(ctx, d, note{Title: sentence, Tag: "test"}, 5*time.Minute, "high", "")
}

// PushPath is what the rota calls the way to the phones of who is called.
const PushPath = "push"

// Taken reports whether any phone takes pushes.
func (x *Push) Taken(ctx context.Context) bool {
	all, err := x.List(ctx, "")
	return err != nil || len(all) > 0
}

// pushes is the way of messages to phones.
type pushes struct{ *Push }

// note is what a phone is told; the service worker shows it.
type note struct {
	Title string `json:"title"`
	Body  string `json:"body,omitempty"`
	URL   string `json:"url,omitempty"`
	Tag   string `json:"tag"`
	Wake  bool   `json:"wake,omitempty"`
	At    int64  `json:"at,omitempty"` // Unix ms
}

// noteOf is a message for a phone. What is told again of the same flag takes
// the earlier one's place there.
func (x *Push) noteOf(m message) note {
	title, body, _ := strings.Cut(m.short(), ": ")
	n := note{Title: title, Body: body, URL: cmp.Or(m.Ack, x.p.Flags), Tag: m.topic(), Wake: m.wakes()}
	if !m.Wall.IsZero() && m.Proven {
		n.At = m.Wall.UnixMilli()
	}
	return n
}

// topic is the same for all messages of one flag, and tells nothing of it to
// the push service (RFC 8030, section 5.4: at most 32 letters of base64url).
func (m message) topic() string {
	about := m.Key
	if m.Flag != "" && m.Edge != rules.Given {
		about = fmt.Sprint(m.Box, "/", m.System, "/", m.Flag, "/", m.Subject, "/", m.Begin)
	}
	sum := sha256.Sum256([]byte(about))
	return webText.EncodeToString(sum[:24])
}

// mostPushTries is how often a message is tried at a device whose push service
// fails, once another device has it: one phone's trouble holds up no message.
const mostPushTries = 3

// send pushes a message to the devices of who it is for.
func (w *pushes) send(ctx context.Context, m message) error {
	turn, who := &w.one, m.To
	switch { // what the queue's own message has reached is not forgotten for these
	case m.Beside:
		turn, who = &w.beside, "beside the queue"
	case m.Test:
		who = "a test"
	}
	turn.Lock()
	defer turn.Unlock()
	it := w.reached(who, m)
	it.tries++
	all, err := w.List(ctx, m.To)
	if err != nil {
		return err
	}
	n, wanted := w.noteOf(m), 0
	life, urgency := 24*time.Hour, "normal"
	if m.wakes() { // one that comes hours late wakes the wrong person; the next call follows soon
		life, urgency = time.Hour, "high"
	}
	var failed error
	for _, d := range all {
		if w.p.Known != nil && !w.p.Known(ctx, d.Person) {
			if m.Beside { // nothing that needs the disk
				continue
			}
			if err := w.p.Shelf.Drop(deviceKey + d.ID); err != nil {
				return err
			}
			continue
		}
		wanted++
		if it.sent[d.ID] || d.WakeOnly && !m.wakes() && !m.Test {
			continue
		}
		tell := w.push
		if m.Beside { // how it went is for nobody to write down: the disk may hang, and the next phone with it
			tell = w.tell
		}
		err := tell(ctx, d, n, life, urgency, n.Tag)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err == nil {
			it.sent[d.ID] = true
			continue
		}
		if m.Beside && errors.Is(err, errOver) { // it stays on the list until the queue finds out
			wanted--
			continue
		}
		var p *postponed
		if failed == nil || errors.As(err, &p) { // one that names a time comes first
			failed = err
		}
	}
	switch {
	case wanted == 0:
		w.forget(who)
		return &refusal{"no phone takes pushes of this: let one ring on the page This phone"}
	case failed == nil, len(it.sent) > 0 && it.tries >= mostPushTries:
		w.forget(who)
		return nil
	case m.To != "":
		return &theirs{failed}
	}
	return failed
}

// reached is what is known of a message on its way to somebody's phones.
func (x *Push) reached(who string, m message) *pending {
	x.mu.Lock()
	defer x.mu.Unlock()
	it := x.pending[who]
	if it == nil || it.key != m.Key || m.Test {
		it = &pending{m.Key, map[string]bool{}, 0}
		x.pending[who] = it
	}
	return it
}

func (x *Push) forget(who string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	delete(x.pending, who)
}

// errOver says that a push service knows a subscription no more.
var errOver = errors.New("takes pushes no more; it was taken off the list. Subscribe it anew on its page")

// push sends one note to one device, and writes down how it went.
func (x *Push) push(ctx context.Context, d Device, n note, life time.Duration, urgency, topic string) error {
	err := x.tell(ctx, d, n, life, urgency, topic)
	if errors.Is(err, errOver) {
		x.p.Log.Info("a phone takes pushes no more", "person", d.Person, "phone", d.Name)
		if dropped := x.p.Shelf.Drop(deviceKey + d.ID); dropped != nil {
			return dropped
		}
		return err
	}
	return x.note(d, err)
}

// tell sends one note to one device, and keeps nothing of it.
func (x *Push) tell(ctx context.Context, d Device, n note, life time.Duration, urgency, topic string) error {
	resp, text, err := x.post(ctx, d, n, life, urgency, topic)
	if err == nil && (resp.StatusCode == http.StatusUnauthorized || resp.StatusCode == http.StatusForbidden) && x.clockWrong(resp) {
		resp, text, err = x.post(ctx, d, n, life, urgency, topic) // in the service's own time
	}
	if err != nil {
		return fmt.Errorf("the push service does not answer: %w", discreet(bare(err), d.Endpoint))
	}
	said := strings.TrimSpace(fmt.Sprintf("%d %s", resp.StatusCode, cut(text, 150)))
	switch status := resp.StatusCode; {
	case status == http.StatusCreated, status == http.StatusOK, status == http.StatusAccepted: // RFC 8030, section 5
		return nil
	case status == http.StatusNotFound, status == http.StatusGone: // section 7.3: the subscription is over
		return fmt.Errorf("%s's %s %w", d.Person, d.Name, errOver)
	case status == http.StatusTooManyRequests, status >= 500:
		return later("the push service", resp, said)
	default:
		return fmt.Errorf("the push service does not take it: %s", said)
	}
}

// note keeps how a push went.
func (x *Push) note(d Device, err error) error {
	was := d
	if err == nil {
		d.Last, d.Trouble = x.p.Now(), ""
	} else {
		d.Trouble = err.Error()
	}
	// It may have been taken off the list meanwhile.
	if ok, gerr := x.p.Shelf.Get(context.Background(), deviceKey+d.ID, &was); d == was || !ok || gerr != nil {
		return err
	}
	if perr := x.p.Shelf.Put(deviceKey+d.ID, d); perr != nil { // on a full disk the phone has been told all the same
		x.p.Log.Warn("how a push went cannot be kept", "phone", d.Name, "error", perr)
	}
	return err
}

func (x *Push) post(ctx context.Context, d Device, n note, life time.Duration, urgency, topic string) (*http.Response, string, error) {
	key, err := webText.DecodeString(d.Key)
	if err != nil {
		return nil, "", err
	}
	secret, err := webText.DecodeString(d.Secret)
	if err != nil {
		return nil, "", err
	}
	n.Title, n.Body = valid(n.Title), valid(n.Body)
	text, err := json.Marshal(n)
	if err != nil {
		return nil, "", err
	}
	body, err := sealPush(text, key, secret)
	if err != nil {
		return nil, "", err
	}
	u, err := url.Parse(d.Endpoint)
	if err != nil {
		return nil, "", err
	}
	who, err := x.own.authorise(d.Endpoint, x.p.Config.Contact, time.Now().Add(x.aheadOf(u.Host)))
	if err != nil {
		return nil, "", err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.Endpoint, strings.NewReader(string(body)))
	if err != nil {
		return nil, "", err
	}
	req.Header.Set("Authorization", who)
	req.Header.Set("Content-Encoding", "aes128gcm")
	req.Header.Set("Content-Type", "application/octet-stream")
	req.Header.Set("TTL", strconv.Itoa(int(life.Seconds())))
	req.Header.Set("Urgency", urgency)
	if topic != "" {
		req.Header.Set("Topic", topic)
	}
	client := http.Client{Transport: x.travel, Timeout: 20 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		return nil, "", err
	}
	defer resp.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 4<<10)) // a cut answer still says enough
	return resp, strings.TrimSpace(valid(string(said))), nil
}

func (x *Push) aheadOf(host string) time.Duration {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.ahead[host]
}

// clockWrong notes how far the box's clock is off a push service's, and reports
// whether that may be why it refuses who sends: its word holds for hours only.
func (x *Push) clockWrong(resp *http.Response) bool {
	date, err := http.ParseTime(resp.Header.Get("Date"))
	if err != nil {
		return false
	}
	is := time.Until(date)
	x.mu.Lock()
	defer x.mu.Unlock()
	was := x.ahead[resp.Request.URL.Host]
	x.ahead[resp.Request.URL.Host] = is
	d := is - was
	return max(d, -d) > 5*time.Minute
}

func valid(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	return strings.ToValidUTF8(s, "?")
}
