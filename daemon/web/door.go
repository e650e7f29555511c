package web

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/net/netutil"

	"standwatch/daemon/people"
)

// Door is the box's listener on the site network. It is shut until the box is
// claimed; `pair` opens it before, for a while, and then the pages let nobody
// further than the claim. It speaks TLS and nothing else.
type Door struct {
	Config Config
	Box    string    // its name
	Dir    string    // where the box's own certificate is kept
	Built  time.Time // before any time at which this program can run
	People *people.Store
	Log    *slog.Logger

	mu          sync.Mutex
	certificate *tls.Certificate // its own
	files       *Supplied        // in place of that
	listening   string           // the address; empty: shut
	trouble     error            // why it could not be opened
}

const (
	doorRetry       = 10 * time.Second
	mostConnections = 256 // at the site network's door; this machine has its own
)

// Run opens and shuts the door until ctx ends. What is wrong with it is shown
// and tried again: the box measures and judges without it.
func (d *Door) Run(ctx context.Context, h http.Handler) error {
	if !d.Config.Beyond() {
		<-ctx.Done()
		return nil
	}
	for ctx.Err() == nil {
		changed := d.People.Changed()
		left := d.People.Pairing()
		if !d.People.Claimed() && left == 0 {
			select {
			case <-ctx.Done():
			case <-changed:
			}
			continue
		}
		if err := d.serve(ctx, h); err != nil {
			d.set("", err)
			d.Log.Error("the site network's door is shut", "error", err, "again in", doorRetry)
			select {
			case <-ctx.Done():
			case <-time.After(doorRetry):
			}
		}
	}
	return nil
}

// serve keeps the door open while it may be: for good once the box is claimed,
// else until pairing is over.
func (d *Door) serve(ctx context.Context, h http.Handler) error {
	if _, err := d.load(time.Now()); err != nil {
		return err
	}
	ln, err := net.Listen("tcp", d.Config.Listen)
	if err != nil {
		return err
	}
	d.set(ln.Addr().String(), nil)
	defer d.set("", nil)
	if why := d.doubt(time.Now()); why != nil {
		d.Log.Warn("the site network's door", "certificate", why)
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return d.load(time.Now()) }}
	ctx, shut := context.WithCancel(ctx)
	defer shut()
	go d.watch(ctx, shut)
	return ServeTLS(ctx, netutil.LimitListener(ln, mostConnections), c, h, d.Log)
}

// watch shuts the door of a box that nobody has claimed in time.
func (d *Door) watch(ctx context.Context, shut func()) {
	for {
		changed := d.People.Changed()
		if d.People.Claimed() {
			return // nobody unclaims a box
		}
		left := d.People.Pairing()
		if left == 0 {
			shut()
			return
		}
		over := time.NewTimer(left)
		select {
		case <-ctx.Done():
		case <-changed:
		case <-over.C:
		}
		over.Stop()
		if ctx.Err() != nil {
			return
		}
	}
}

func (d *Door) set(address string, trouble error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.listening, d.trouble = address, trouble
}

// opened waits a moment for the door to open, and says why it does not.
func (d *Door) opened(ctx context.Context) error {
	for range 20 {
		if listening, trouble := d.state(); listening != "" || trouble != nil {
			return trouble
		}
		select {
		case <-ctx.Done():
		case <-time.After(100 * time.Millisecond):
		}
	}
	return errors.New("the box has not opened its door yet; look at the page Box")
}

// state is where the door listens (empty: it is shut), and what keeps it from that.
func (d *Door) state() (listening string, trouble error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.listening, d.trouble
}

// Fingerprint is the certificate's, by which a person at the box's console can
// tell that a browser's warning is about this very box. Empty: there is none yet.
func (d *Door) Fingerprint() string {
	if !d.Config.Beyond() {
		return ""
	}
	c, err := d.load(time.Now())
	if err != nil {
		return ""
	}
	return fingerprint(c)
}

// load returns the certificate: the box's own, or the one supplied, which is
// read anew when its file has changed, so that renewing it needs no restart.
func (d *Door) load(now time.Time) (*tls.Certificate, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.Config.Certificate == "" {
		if d.certificate != nil {
			return d.certificate, nil
		}
		c, err := ownCertificate(d.Dir, d.Box, d.Config.Names, ownAddresses(), d.Built, now)
		d.certificate = c
		return c, err
	}
	return d.supplied().At(now)
}

// supplied is the certificate that the site file names. Its caller holds mu.
func (d *Door) supplied() *Supplied {
	if d.files == nil {
		d.files = &Supplied{Certificate: d.Config.Certificate, Key: d.Config.Key}
	}
	return d.files
}

// doubt is why browsers do not take the certificate supplied; nil: none is, or they may.
func (d *Door) doubt(now time.Time) error {
	if d.Config.Certificate == "" {
		return nil
	}
	d.mu.Lock()
	s := d.supplied()
	d.mu.Unlock()
	return s.Doubt(now, d.Config.ownNames())
}
