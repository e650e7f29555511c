package mqtt

import (
	"bufio"
	"crypto/rand"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// link is one connection to the broker, between paho and the socket. It does
// three things paho does not.
//
// It reads in large pieces: paho asks for a byte, then a byte, then the rest,
// and each would be a system call. It gathers acknowledgements, which come by the
// thousand after a commit, into few writes. And it knows which messages the
// broker had queued while the box was away: see queued.
type link struct {
	net.Conn
	r *bufio.Reader

	frames  frames
	resumed atomic.Bool
	// before counts the messages that came before the answer to our
	// subscription; settled says that the count is final.
	before  atomic.Int64
	settled atomic.Bool
	handled int64 // by the handler, which runs for one link at a time
	nonce   string
	live    chan struct{} // closed once the backlog is known to be over
	over    sync.Once
	fenced  chan struct{} // closed once the fence came back
	passed  sync.Once

	writeTimeout time.Duration
	mu           sync.Mutex
	out          []byte
	err          error
	wake         chan struct{}
	closed       chan struct{}
	closeOnce    sync.Once
}

const (
	readPiece = 32 << 10
	ackPiece  = 16 << 10 // bytes of acknowledgements, four each
	ackGather = time.Millisecond
)

func newLink(conn net.Conn, writeTimeout time.Duration) *link {
	l := &link{
		Conn: conn, writeTimeout: writeTimeout, wake: make(chan struct{}, 1), closed: make(chan struct{}),
		nonce: rand.Text(), live: make(chan struct{}), fenced: make(chan struct{}),
	}
	l.r = bufio.NewReaderSize(watched{l}, readPiece)
	return l
}

// watched is the reading side beneath the buffer.
type watched struct{ l *link }

func (w watched) Read(p []byte) (int, error) {
	n, err := w.l.Conn.Read(p)
	w.l.frames.walk(p[:n], w.l.saw)
	return n, err
}

// Packet types of MQTT 3.1.1 (OASIS Standard, table 2.1), as the high half of the first byte.
const (
	typeConnack = 2
	typePublish = 3
	typePuback  = 4
	typeSuback  = 9
)

func (l *link) saw(kind, first byte) {
	switch kind {
	case typeConnack:
		l.resumed.Store(first&1 == 1) // session present, section 3.2.2.2
	case typePublish:
		if !l.settled.Load() {
			l.before.Add(1)
		}
	case typeSuback:
		l.settled.Store(true)
	}
}

// queued tells whether the next message handed to the handler was queued while
// the box was away. It is asked once a message, in order.
//
// In a resumed session that is true of what comes before the answer to our
// subscription. A broker that may have only so many messages in flight sends the rest
// of a backlog after that; its end is marked by a fence, a message of our own that the
// broker puts at the end of the queue (see source.raiseFence).
func (l *link) queued() bool {
	l.handled++
	if !l.resumed.Load() {
		return false
	}
	// settled first: once it is set, before no longer changes.
	if !l.settled.Load() || l.handled <= l.before.Load() {
		return true
	}
	select {
	case <-l.live:
		return false
	default:
		return true
	}
}

// caughtUp ends the backlog.
func (l *link) caughtUp() { l.over.Do(func() { close(l.live) }) }

// passFence ends the backlog because the fence came back.
func (l *link) passFence() {
	l.passed.Do(func() { close(l.fenced) })
	l.caughtUp()
}

// Read gives paho what the buffer holds.
func (l *link) Read(p []byte) (int, error) { return l.r.Read(p) }

// Write gathers acknowledgements and sends everything else at once, in order.
func (l *link) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return 0, l.err
	}
	l.out = append(l.out, p...)
	if len(p) == 4 && p[0]>>4 == typePuback && len(l.out) < ackPiece {
		select {
		case l.wake <- struct{}{}:
		default:
		}
		return len(p), nil
	}
	if l.flush(); l.err != nil {
		return 0, l.err
	}
	return len(p), nil
}

// flush writes what was gathered; l.mu is held.
func (l *link) flush() {
	if len(l.out) == 0 || l.err != nil {
		return
	}
	_ = l.Conn.SetWriteDeadline(time.Now().Add(l.writeTimeout)) // fails only with the write itself
	_, l.err = l.Conn.Write(l.out)
	l.out = l.out[:0]
}

// gather sends acknowledgements a moment after the first of them was written,
// until the link is closed.
func (l *link) gather() {
	for {
		select {
		case <-l.closed:
			return
		case <-l.wake:
		}
		time.Sleep(ackGather)
		l.mu.Lock()
		l.flush()
		l.mu.Unlock()
	}
}

// SetWriteDeadline does nothing: each write here has its own.
func (l *link) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline concerns reading only, for the same reason.
func (l *link) SetDeadline(t time.Time) error { return l.Conn.SetReadDeadline(t) }

// Close closes the socket.
func (l *link) Close() error {
	l.closeOnce.Do(func() { close(l.closed) })
	return l.Conn.Close()
}

// frames finds the packets in a stream of bytes.
type frames struct {
	kind  byte
	state uint8 // 0 type, 1 length, 2 body
	shift uint
	left  int
	fresh bool // the body's first byte has not been seen
}

// walk calls saw for each packet whose body begins in b, with its type and the
// body's first byte (0 where it has none).
func (f *frames) walk(b []byte, saw func(kind, first byte)) {
	for len(b) > 0 {
		switch f.state {
		case 0:
			f.kind, f.state, f.shift, f.left = b[0]>>4, 1, 0, 0
			b = b[1:]
		case 1: // remaining length, section 2.2.3
			f.left |= int(b[0]&0x7f) << f.shift
			f.shift += 7
			if b[0] < 0x80 || f.shift > 21 {
				f.state, f.fresh = 2, true
				if f.left == 0 {
					saw(f.kind, 0)
					f.state = 0
				}
			}
			b = b[1:]
		default:
			if f.fresh {
				saw(f.kind, b[0])
				f.fresh = false
			}
			n := min(f.left, len(b))
			f.left -= n
			b = b[n:]
			if f.left == 0 {
				f.state = 0
			}
		}
	}
}
