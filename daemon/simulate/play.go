package simulate

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"standwatch/rules"
)

// WriteSite writes the site file and its take-off into a folder and returns
// the site file's path. broker is the address of a broker elsewhere; empty:
// the one within the box.
func WriteSite(dir, broker string) (string, error) {
	text := siteYAML
	if broker != "" {
		text = strings.Replace(text, "embedded: {}", "url: "+broker, 1)
	}
	if err := os.WriteFile(filepath.Join(dir, "takeoff.csv"), []byte(takeoffCSV), 0o644); err != nil {
		return "", err
	}
	file := filepath.Join(dir, "quayside.yaml")
	return file, os.WriteFile(file, []byte(text), 0o644)
}

// Player says where and how fast a night is played.
type Player struct {
	Broker         string  // tcp://HOST:PORT
	User, Password string  // empty: none
	Speed          float64 // site time over real time; 0: as fast as it goes
	Log            *slog.Logger

	// Tell records a mark with the box; durable when it returns.
	Tell func(context.Context, ...rules.Told) error
	// Kept waits until the box has committed everything whose own time is at or
	// before a moment (Unix ms).
	Kept func(ctx context.Context, unixMs int64) error
	// Shown, if not nil, is called with each second that was played.
	Shown func(Tick)
}

// ahead is how many messages may be published and not yet kept by the box. A
// broker drops what its subscriber's queue cannot hold: a thousand messages with
// mosquitto's defaults. All of them sent twice must still fit.
const ahead = 480

// Play plays a night in order, every message at QoS 1. It returns when the
// night is over and all of it is kept, or when ctx ends.
func (p Player) Play(ctx context.Context, night *Night) error {
	f := flow{player: p}
	defer f.hangUp()
	pace := pace{speed: p.Speed}
	for {
		tick, more := night.Next()
		if !more {
			return f.settle(ctx, 0)
		}
		if err := pace.wait(ctx, tick.At); err != nil {
			return err
		}
		if err := p.tick(ctx, &f, tick); err != nil {
			return err
		}
	}
}

func (p Player) tick(ctx context.Context, f *flow, tick Tick) error {
	for _, m := range tick.Messages {
		if err := f.publish(ctx, m); err != nil {
			return err
		}
	}
	if len(tick.Marks) > 0 {
		// A mark stands in the journal behind what was measured before it.
		if err := f.settle(ctx, 0); err != nil {
			return err
		}
	}
	for _, m := range tick.Marks {
		if err := p.Tell(ctx, m); err != nil {
			return fmt.Errorf("the mark %s %s was not taken: %w", m.Kind, m.Name, err)
		}
	}
	if p.Shown != nil {
		p.Shown(tick)
	}
	return nil
}

// flow publishes in order, never runs far ahead of what the box has kept, and
// holds what is not yet kept. A connection that breaks is opened anew and all
// of that is sent again, in order; the box knows what it has by its sequence or
// time. The client's own store cannot do it: what is published while a
// connection breaks may overtake what it sends again, or not be stored at all.
type flow struct {
	player Player
	client mqtt.Client   // nil: none yet
	lost   chan struct{} // closed when the client's connection is gone
	open   []Message     // published and not yet known to be kept

	answered bool // the box has kept something
}

func (f *flow) publish(ctx context.Context, m Message) error {
	f.open = append(f.open, m)
	if err := f.send(ctx, m); err != nil {
		return err
	}
	switch {
	case !f.answered: // the box may not listen yet: nothing goes on before its first answer
		return f.settle(ctx, 0)
	case len(f.open) >= ahead:
		return f.settle(ctx, ahead/8)
	}
	return nil
}

// send hands one message to the client, and where the connection is gone sends
// everything again.
func (f *flow) send(ctx context.Context, m Message) error {
	if f.client != nil && f.try(m) {
		return nil
	}
	for {
		if err := f.connect(ctx); err != nil {
			return err
		}
		if f.tryAll() {
			return nil
		}
	}
}

func (f *flow) tryAll() bool {
	for _, m := range f.open {
		if !f.try(m) {
			return false
		}
	}
	return true
}

// try reports whether the client took the message; whether the broker did
// shows when the box has kept it, or the connection is lost. A client whose
// connection breaks meanwhile holds on to Publish until its write time-out:
// nobody waits for that.
func (f *flow) try(m Message) bool {
	client, taken := f.client, make(chan bool, 1)
	go func() {
		token := client.Publish(m.Topic, 1, false, m.Payload)
		select {
		case <-token.Done():
			taken <- token.Error() == nil
		default:
			taken <- true
		}
	}()
	select {
	case ok := <-taken:
		return ok
	case <-f.lost:
		return false
	}
}

// settle waits until at most rest messages are not kept by the box. What it
// does not keep in good time, or before the connection breaks, is sent again: a
// broker drops what nobody listens to.
func (f *flow) settle(ctx context.Context, rest int) error {
	for len(f.open) > rest {
		n := len(f.open) - rest
		err := f.kept(ctx, f.open[n-1].Own)
		switch {
		case err == nil:
			f.open = append(f.open[:0], f.open[n:]...)
			f.answered = true
			continue
		case ctx.Err() != nil:
			return ctx.Err()
		case !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded):
			return err
		}
		if !f.tryAll() {
			if err := f.send(ctx, f.open[0]); err != nil {
				return err
			}
		}
	}
	return nil
}

// How long the box may take to keep something, before it has answered for the
// first time and after: a busy machine is slow, and what is sent again
// needlessly makes it slower.
const (
	firstPatience = time.Second
	patience      = 2 * time.Minute
)

// kept waits for the box, but not longer than is good, nor than the connection lasts.
func (f *flow) kept(ctx context.Context, own int64) error {
	wait := patience
	if !f.answered {
		wait = firstPatience
	}
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	gone := f.lost
	go func() {
		select {
		case <-gone:
			cancel()
		case <-ctx.Done():
		}
	}()
	return f.player.Kept(ctx, own)
}

// connect opens a new connection. It waits for a broker that is not there yet.
func (f *flow) connect(ctx context.Context) error {
	f.hangUp()
	lost := make(chan struct{})
	o := mqtt.NewClientOptions().AddBroker(f.player.Broker).
		SetClientID("quayside-instruments").SetOrderMatters(true).
		SetAutoReconnect(false).SetConnectRetry(true).SetConnectRetryInterval(time.Second).
		SetKeepAlive(15 * time.Second).SetPingTimeout(5 * time.Second).
		SetWriteTimeout(5 * time.Second).SetConnectTimeout(10 * time.Second).
		SetUsername(f.player.User).SetPassword(f.player.Password)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		f.player.Log.Warn("the simulated instruments lost the broker and connect again", "err", err)
		close(lost)
	})
	f.client, f.lost = mqtt.NewClient(o), lost
	token := f.client.Connect()
	select {
	case <-token.Done():
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("the simulated instruments do not reach the broker at %s: %w", f.player.Broker, err)
	}
	return nil
}

func (f *flow) hangUp() {
	if f.client != nil {
		f.client.Disconnect(100)
		f.client = nil
	}
}

// pace holds the night to its speed. What a busy machine loses is not made up
// for: the night slows down.
type pace struct {
	speed float64
	start time.Time
	first int64
}

// late is by how much the night may run behind before its plan moves with it.
const late = 250 * time.Millisecond

func (p *pace) wait(ctx context.Context, atMs int64) error {
	if p.speed <= 0 {
		return ctx.Err()
	}
	if p.first == 0 {
		p.start, p.first = time.Now(), atMs
	}
	due := p.start.Add(time.Duration(float64(atMs-p.first) / p.speed * float64(time.Millisecond)))
	left := time.Until(due)
	if left < -late {
		p.start = p.start.Add(-left)
	}
	if left <= 0 {
		return ctx.Err()
	}
	return sleep(ctx, left)
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
