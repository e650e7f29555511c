package simulate

import (
	"context"
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
	Tell func(context.Context, rules.Told) error
	// Kept waits until the box has committed everything whose own time is at or
	// before a moment (Unix ms).
	Kept func(ctx context.Context, unixMs int64) error
	// Shown, if not nil, is called with each second that was played.
	Shown func(Tick)
}

// ahead is how many messages may be published and not yet kept by the box. A
// broker drops what its subscriber's queue cannot hold, a thousand messages
// with mosquitto's defaults: below that none is lost.
const ahead = 800

// Play plays a night in order over one connection, every message at QoS 1. It
// returns when the night is over and all of it is kept, or when ctx ends.
func (p Player) Play(ctx context.Context, night *Night) error {
	client, err := p.connect(ctx)
	if err != nil {
		return err
	}
	defer client.Disconnect(250)
	f := flow{client: client, kept: p.Kept}
	pace := pace{speed: p.Speed}
	for {
		tick, more := night.Next()
		if !more {
			return f.drain(ctx)
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
		if err := f.drain(ctx); err != nil {
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

// connect opens the one connection. It waits for a broker that is not there yet.
func (p Player) connect(ctx context.Context) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker(p.Broker).
		SetClientID("quayside-instruments").SetCleanSession(false).
		SetStore(mqtt.NewOrderedMemoryStore()).SetOrderMatters(true).
		SetConnectRetry(true).SetConnectRetryInterval(time.Second).
		SetMaxReconnectInterval(20 * time.Second).SetMaxResumePubInFlight(20).
		SetKeepAlive(15 * time.Second).SetPingTimeout(5 * time.Second).
		SetWriteTimeout(5 * time.Second).SetConnectTimeout(10 * time.Second).
		SetUsername(p.User).SetPassword(p.Password)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		p.Log.Warn("the simulated instruments lost the broker and will come back", "err", err)
	})
	client := mqtt.NewClient(o)
	if err := await(ctx, client.Connect()); err != nil {
		client.Disconnect(0)
		return nil, fmt.Errorf("the simulated instruments do not reach the broker at %s: %w", p.Broker, err)
	}
	return client, nil
}

// await waits for a token, never longer than ctx.
func await(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// flow publishes in order and never runs far ahead of what the box has kept.
type flow struct {
	client mqtt.Client
	kept   func(context.Context, int64) error
	sent   []sent // published and not yet known to be kept
}

type sent struct {
	token mqtt.Token
	own   int64
}

func (f *flow) publish(ctx context.Context, m Message) error {
	f.sent = append(f.sent, sent{f.client.Publish(m.Topic, 1, false, m.Payload), m.Own})
	if len(f.sent) < ahead {
		return nil
	}
	return f.settle(ctx, ahead/2)
}

func (f *flow) drain(ctx context.Context) error { return f.settle(ctx, len(f.sent)) }

// settle waits until the oldest n messages are with the broker and kept by the box.
func (f *flow) settle(ctx context.Context, n int) error {
	if n == 0 {
		return nil
	}
	for _, s := range f.sent[:n] {
		if err := await(ctx, s.token); err != nil {
			return fmt.Errorf("the broker did not take a message: %w", err)
		}
	}
	own := f.sent[n-1].own
	f.sent = append(f.sent[:0], f.sent[n:]...)
	return f.kept(ctx, own)
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
	t := time.NewTimer(left)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
