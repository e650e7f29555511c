package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	"golang.org/x/net/netutil"
)

const (
	mostConnections = 2 * mostClients  // those included who have not said yet who they are
	toIntroduce     = 10 * time.Second // for saying it
)

func listener(c Config, log *slog.Logger) (net.Listener, error) {
	var secure *tls.Config
	if c.Cert != "" {
		f, err := newFiles(c, log)
		if err != nil {
			return nil, err
		}
		secure = &tls.Config{GetCertificate: f.get, MinVersion: tls.VersionTLS12}
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, err
	}
	l = door{netutil.LimitListener(l, mostConnections)}
	if secure != nil {
		l = tls.NewListener(l, secure)
	}
	return l, nil
}

// files are certificate and key as they stand: read for each connection, so that
// renewing them needs no restart. Instruments connect seldom, and a handshake costs far more.
type files struct {
	cert, key string
	log       *slog.Logger
	mu        sync.Mutex
	last      *tls.Certificate // serves until both files are whole
	fault     string           // that was told
}

func newFiles(c Config, log *slog.Logger) (*files, error) {
	pair, err := tls.LoadX509KeyPair(c.Cert, c.Key)
	if err != nil {
		return nil, fmt.Errorf("its certificate: %w; look at cert_file and key_file, which are files in PEM form that belong together", err)
	}
	return &files{cert: c.Cert, key: c.Key, log: log, last: &pair}, nil
}

func (f *files) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(f.cert, f.key)
	f.mu.Lock()
	defer f.mu.Unlock()
	if err == nil {
		f.last, f.fault = &pair, ""
	} else if f.fault != err.Error() {
		f.fault = err.Error()
		f.log.Warn("the broker's certificate cannot be read anew; the last one serves on", "error", err, "cert_file", f.cert, "key_file", f.key)
	}
	return f.last, nil
}

// door closes on those who do not say who they are; the server, which waits
// for them without end, sets its own deadline once they have.
type door struct{ net.Listener }

// Accept gives the next connection its deadline. It fails only when the door
// is closed for good: the server would not ask again.
func (d door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err == nil {
			_ = c.SetDeadline(time.Now().Add(toIntroduce)) // fails where the other side is gone already
			return c, nil
		}
		if errors.Is(err, net.ErrClosed) {
			return nil, err
		}
		time.Sleep(100 * time.Millisecond) // no file descriptor left, say
	}
}

// chatter keeps what the server says of each client's coming and going for
// who asks for it: a client that hangs up is no warning.
type chatter struct{ slog.Handler }

// Enabled asks for debugging where the server only warns.
func (c chatter) Enabled(ctx context.Context, l slog.Level) bool {
	return c.Handler.Enabled(ctx, quieter(l))
}

// Handle writes a record at its lower level.
func (c chatter) Handle(ctx context.Context, r slog.Record) error {
	r.Level = quieter(r.Level)
	return c.Handler.Handle(ctx, r)
}

// WithAttrs keeps the handler wrapped.
func (c chatter) WithAttrs(as []slog.Attr) slog.Handler { return chatter{c.Handler.WithAttrs(as)} }

// WithGroup keeps the handler wrapped.
func (c chatter) WithGroup(name string) slog.Handler { return chatter{c.Handler.WithGroup(name)} }

func quieter(l slog.Level) slog.Level {
	if l < slog.LevelError {
		return slog.LevelDebug
	}
	return l
}
