package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"time"

	"golang.org/x/net/netutil"
)

const (
	mostConnections = 2 * mostClients  // those included who have not said yet who they are
	toIntroduce     = 10 * time.Second // for saying it
)

func listener(c Config) (net.Listener, error) {
	var secure *tls.Config
	if c.Cert != "" {
		pair, err := tls.LoadX509KeyPair(c.Cert, c.Key)
		if err != nil {
			return nil, err
		}
		secure = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
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
