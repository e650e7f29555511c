package mqtt

import (
	"strings"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A broker that has 20 messages in flight, as mosquitto by default, and an
// acknowledgement four times a second, sends 80 messages a second.
const (
	fencePatience  = 30 * time.Second // over a thousand messages, what such a broker queues by default
	longestBacklog = 15 * time.Minute // 65,535 messages, all that can be in flight
	atOnce         = 2 * time.Second  // within which a broker that minds closes the connection
)

// raiseFence publishes a message to ourselves. It comes back behind everything
// that was queued for us; what comes after it is live.
//
// The box's user may lack the right to publish it, for which MQTT 3.1.1 has no
// answer: some brokers then swallow the message, others (mosquitto 2.0.11 is one) close
// the connection. Where the first one is met so, no other is tried, and a backlog ends
// with the answer to the subscription.
func (s *source) raiseFence(c paho.Client, l *link) (connected bool) {
	if !l.resumed.Load() {
		l.caughtUp() // nothing was queued; the fence only shows whether fences work here
	}
	if s.fence.denied.Load() {
		l.caughtUp()
		return true
	}
	token := c.Publish(s.fence.topic, 1, false, l.nonce)
	go s.awaitFence(l)
	select {
	case <-token.Done():
	case <-time.After(connectTimeout): // whatever it means, what is subscribed to still comes
	case <-l.closed:
		return false
	}
	return true
}

func (s *source) awaitFence(l *link) {
	patience := s.fence.patience
	if s.fence.works.Load() {
		patience = longestBacklog
	}
	raised := time.Now()
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-l.fenced:
		return
	case <-l.closed:
		if time.Since(raised) > atOnce {
			return // for another reason
		}
	case <-t.C:
		l.caughtUp()
	}
	s.fence.denied.Store(!s.fence.works.Load())
}

// fence is the message by which the end of a backlog is known.
type fence struct {
	topic         string
	works, denied atomic.Bool
	patience      time.Duration // for one to come back where none ever did
}

// forgetful is a store that sends nothing again after a reconnect: each connection
// raises its own fence, and is told anew how the box stands. What was told before
// the loss may no longer hold. And v1.5.1 changes what it sends again while it may
// be writing it (paho.mqtt.golang, issue 703).
type forgetful struct{ paho.Store }

// Put keeps everything but what is published.
func (f forgetful) Put(key string, p packets.ControlPacket) {
	if _, ours := p.(*packets.PublishPacket); !ours || !strings.HasPrefix(key, "o.") {
		f.Store.Put(key, p)
	}
}
