package mqtt

import (
	"sync"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// acks sends acknowledgements, in order, beside the daemon's loop: paho passes
// each through three goroutines to the socket, and the loop has better things to do.
type acks struct {
	mu      sync.Mutex
	ready   []paho.Message
	waiting int // handed over, not yet acknowledged
	wake    chan struct{}
}

func (a *acks) expect() {
	a.mu.Lock()
	a.waiting++
	a.mu.Unlock()
}

func (a *acks) add(m paho.Message) {
	a.mu.Lock()
	a.ready = append(a.ready, m)
	first := len(a.ready) == 1
	a.mu.Unlock()
	if first {
		select {
		case a.wake <- struct{}{}:
		default:
		}
	}
}

func (a *acks) due() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.waiting > 0
}

// send acknowledges until stop. After a lost connection paho drops what is
// acknowledged late; the broker then sends it again, and the daemon knows it by its receipt.
func (a *acks) send(stop <-chan struct{}) {
	var batch []paho.Message
	for {
		select {
		case <-stop:
			return
		case <-a.wake:
		}
		a.mu.Lock()
		batch, a.ready = a.ready, batch[:0]
		a.mu.Unlock()
		for i, m := range batch {
			m.Ack()
			batch[i] = nil
		}
		a.mu.Lock()
		a.waiting -= len(batch)
		a.mu.Unlock()
	}
}
