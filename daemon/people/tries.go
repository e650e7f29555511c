package people

import (
	"fmt"
	"net/netip"
	"sync"
	"time"
)

// How who keeps being wrong is slowed down; our choice. Nobody is ever locked
// out: a person's own way in stays open while somebody else tries names.
const (
	freeTries  = 5               // wrong ones before the first wait, which is a second and doubles
	addressMax = 5 * time.Minute // the longest wait of one address
	personMax  = 30 * time.Second
	forgetting = time.Hour // without a try
	mostTries  = 1024      // remembered; the others share one
)

// WaitError says that it is too early for another try.
type WaitError struct{ For time.Duration }

// Error says how long to wait.
func (e WaitError) Error() string {
	return fmt.Sprintf("too many wrong tries: wait %s", e.For.Round(time.Second))
}

// who is somebody who tries: an address, or a name that is tried.
type who struct {
	kind string // "log in from", "code from", "name"
	name string
}

func (w who) most() time.Duration {
	if w.kind == "name" {
		return personMax
	}
	return addressMax
}

// tries counts wrong tries by who makes them. It is in memory: a restart
// forgets, and nobody outside can cause one.
type tries struct {
	mu sync.Mutex
	of map[who]*try
}

type try struct {
	wrong       int
	last, until time.Duration // lived
}

// take counts a try for everybody given, before its outcome is known, so that
// many at once do not slip through; or says how long to wait.
func (t *tries) take(now time.Duration, all ...who) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.of == nil {
		t.of = map[who]*try{}
	}
	for _, w := range all {
		if t.of[w] == nil {
			t.makeRoom(now)
		}
		if x := t.of[t.place(w)]; x != nil && x.until > now {
			return WaitError{x.until - now}
		}
	}
	for _, w := range all {
		w = t.place(w)
		x := t.of[w]
		if x == nil {
			x = &try{}
			t.of[w] = x
		}
		x.wrong++
		x.last = now
		x.wait(w)
	}
	return nil
}

// place is where somebody is counted.
func (t *tries) place(w who) who {
	if t.of[w] == nil && len(t.of) >= mostTries {
		return who{w.kind, ""}
	}
	return w
}

// makeRoom forgets one who may try again anyway, where there are too many: who
// comes new is not to wait because others came in thousands.
func (t *tries) makeRoom(now time.Duration) {
	if len(t.of) < mostTries {
		return
	}
	for w, x := range t.of {
		if x.until <= now && w.name != "" {
			delete(t.of, w)
			return
		}
	}
}

// good takes back what take counted: it was no wrong try.
func (t *tries) good(all ...who) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, w := range all {
		delete(t.of, w)
	}
}

// back takes back one that was never looked at: who was sent away while others
// logged in has tried nothing. What the others count for stands.
func (t *tries) back(all ...who) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, w := range all {
		x := t.of[t.place(w)]
		if x == nil || x.wrong == 0 {
			continue
		}
		x.wrong--
		x.wait(w)
	}
}

// wait is until when nothing more is tried, after the last one.
func (x *try) wait(w who) {
	x.until = 0
	if over := x.wrong - freeTries; over >= 0 {
		x.until = x.last + min(time.Second<<min(over, 20), w.most())
	}
}

// forget drops who has not tried for long.
func (t *tries) forget(now time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for w, x := range t.of {
		if now-x.last > forgetting {
			delete(t.of, w)
		}
	}
}

// neighbour is what of an address is counted: of IPv6 the network that one
// subscriber has all of.
func neighbour(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil {
		return ""
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		p, _ := ip.Prefix(64) // 64 is a length of an IPv6 prefix
		return p.String()
	}
	return ip.String()
}
