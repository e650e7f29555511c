package broker

import (
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// ID names the hook.
func (a *access) ID() string { return "access" }

// Provides lists the events that the hook takes part in.
func (a *access) Provides(event byte) bool {
	switch event {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPublish, mochi.OnWill, mochi.OnSessionEstablished, mochi.OnDisconnect:
		return true
	}
	return false
}

const wrongPasswordPause = time.Second

// OnConnectAuthenticate lets a client in, or not. A will is refused here if its
// client may not publish it: the server itself would send it unchecked.
func (a *access) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	name := string(pk.Connect.Username)
	if !a.right(name, pk.Connect.Password) {
		a.log.Warn("broker: wrong user or password", "user", name, "from", cl.Net.Remote)
		// Guessing is slow, however many guess at once; who knows the password
		// does not wait behind them.
		a.tries <- struct{}{}
		time.Sleep(wrongPasswordPause)
		<-a.tries
		return false
	}
	if pk.Connect.WillFlag && !a.may(name, pk.Connect.WillTopic, true) {
		a.log.Warn("broker: its will is on a topic it may not publish", "user", name, "topic", pk.Connect.WillTopic)
		return false
	}
	return true
}

// OnACLCheck allows what the user's filters cover.
func (a *access) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	return a.may(string(cl.Properties.Username), topic, write)
}

// OnWill checks the will once more, when it is sent.
func (a *access) OnWill(cl *mochi.Client, will mochi.Will) (mochi.Will, error) {
	if !a.may(string(cl.Properties.Username), will.TopicName, true) {
		return mochi.Will{}, nil
	}
	if will.Retain && a.retainedFull(will.TopicName) {
		will.Retain = false
	}
	return will, nil
}

func (a *access) may(name, topic string, write bool) bool {
	u, known := a.users[name]
	if !known || topic == "" || topic[0] == '$' { // the server's own topics are nobody's business
		return false
	}
	allowed := u.subscribe
	if write {
		allowed = u.publish
	}
	for _, f := range allowed {
		if covers(f, topic) {
			return true
		}
	}
	return false
}

// OnPublish makes a publisher wait while the box's own client is behind, and
// bounds what is retained.
func (a *access) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Qos > 0 {
		a.waitForBox(cl)
	}
	if pk.FixedHeader.Retain && len(pk.Payload) > 0 && a.retainedFull(pk.TopicName) {
		a.log.Warn("broker: too many retained messages, passed on without retaining", "topic", pk.TopicName)
		pk.FixedHeader.Retain = false
	}
	return pk, nil
}

func (a *access) retainedFull(topic string) bool {
	if a.server.Topics.Retained.Len() < mostRetained {
		return false
	}
	_, there := a.server.Topics.Retained.Get(topic)
	return !there
}

// behind is how many messages may wait for the box's acknowledgement before
// publishers wait: half of what the server keeps before it drops.
const behind = mostInflight / 2

// waitForBox holds the publisher's reading loop, and so its connection, while
// a client of the box itself has too much to acknowledge. Its own publishing is held
// too: that is how a simulated site is slowed to what the machine can judge.
func (a *access) waitForBox(publisher *mochi.Client) {
	for a.boxBehind(publisher) && !publisher.Closed() {
		time.Sleep(2 * time.Millisecond)
	}
}

func (a *access) boxBehind(publisher *mochi.Client) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, cl := range a.own {
		// A client that both reads and publishes must not wait for itself: it
		// might be waiting for this very publish before it reads on. One that is away
		// for the moment counts: its session is filling.
		if cl != publisher && cl.State.Inflight.Len() >= behind {
			return true
		}
	}
	return false
}

// OnSessionEstablished notes a session of the box's own.
func (a *access) OnSessionEstablished(cl *mochi.Client, _ packets.Packet) {
	if string(cl.Properties.Username) == boxUser {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.own[cl.ID] = cl
	}
}

// OnDisconnect forgets it where it is not kept.
func (a *access) OnDisconnect(cl *mochi.Client, _ error, expire bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if expire && a.own[cl.ID] == cl {
		delete(a.own, cl.ID)
	}
}
