package simulate

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"standwatch/daemon/broker"
	"standwatch/rules"
)

// listener stands for the box: it hears what the broker passes on, and knows a
// message that comes twice by its topic and time.
type listener struct {
	mu      sync.Mutex
	heard   []Message // in the order of their first coming
	known   map[string]bool
	latest  int64
	changed chan struct{}
}

func (l *listener) hear(t *testing.T, m mqtt.Message) {
	own := payloadTime(t, m.Payload())
	l.mu.Lock()
	defer l.mu.Unlock()
	if key := m.Topic() + string(m.Payload()); !l.known[key] {
		l.known[key] = true
		l.heard = append(l.heard, Message{m.Topic(), m.Payload(), own})
		l.latest = max(l.latest, own)
		close(l.changed)
		l.changed = make(chan struct{})
	}
}

func (l *listener) kept(ctx context.Context, own int64) error {
	for {
		l.mu.Lock()
		done, changed := l.latest >= own, l.changed
		l.mu.Unlock()
		if done {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// startBroker runs a broker with one listener, which comes a little late.
func startBroker(t *testing.T, late time.Duration) (address string, l *listener) {
	t.Helper()
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	b, err := broker.Start(broker.Config{Listen: "127.0.0.1:0", Users: []broker.User{
		{Name: "instruments", Password: "secret", Publish: []string{"quayside/#"}},
	}}, quiet)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	l = &listener{known: map[string]bool{}, changed: make(chan struct{})}
	user, password := b.Credential()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + b.OwnAddress()).
		SetClientID("box").SetUsername(user).SetPassword(password))
	if tok := c.Connect(); tok.Wait() && tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	subscribe := time.AfterFunc(late, func() {
		tok := c.Subscribe("quayside/#", 1, func(_ mqtt.Client, m mqtt.Message) { l.hear(t, m) })
		if tok.Wait() && tok.Error() != nil {
			t.Error(tok.Error())
		}
	})
	t.Cleanup(func() { subscribe.Stop() })
	return b.Address(), l
}

// startCutter passes bytes on to a broker and cuts the first connections after
// so many bytes from the client.
func startCutter(t *testing.T, to string, after ...int64) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for i := 0; ; i++ {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				_ = in.Close()
				return
			}
			go func() {
				_, _ = io.Copy(in, out)
				_ = in.Close()
			}()
			go func() {
				if i < len(after) {
					_, _ = io.CopyN(out, in, after[i])
				} else {
					_, _ = io.Copy(out, in)
				}
				_, _ = out.Close(), in.Close()
			}()
		}
	}()
	return l.Addr().String()
}

// A night over a real broker is the night as it was made: each message once
// and in order, each mark behind what came before it and ahead of what comes
// after, also over a connection that is cut.
func TestPlay(t *testing.T) {
	const seconds = 2400 // the first break with nitrogen is over by then
	for _, c := range []struct {
		name string
		late time.Duration // of the box
		cuts []int64
	}{{name: "steady"}, {name: "late", late: 300 * time.Millisecond}, {name: "cut", cuts: []int64{20_000, 90_000}}} {
		t.Run(c.name, func(t *testing.T) {
			address, l := startBroker(t, c.late)
			address = startCutter(t, address, c.cuts...)
			var want []Message
			var marks []rules.Told
			n, err := New(2, "good-night")
			if err != nil {
				t.Fatal(err)
			}
			for range seconds {
				tick, _ := n.Next()
				want = append(want, tick.Messages...)
				marks = append(marks, tick.Marks...)
			}
			got := playSome(t, address, l, seconds)
			if len(marks) < 8 || !slices.Equal(got, flat(marks)) {
				t.Errorf("marks told: %v\nwant %v", got, flat(marks))
			}
			if len(l.heard) != len(want) {
				t.Fatalf("%d messages heard of %d", len(l.heard), len(want))
			}
			for i, m := range l.heard {
				if m.Topic != want[i].Topic || string(m.Payload) != string(want[i].Payload) {
					t.Fatalf("message %d is %s %s, want %s %s", i, m.Topic, m.Payload, want[i].Topic, want[i].Payload)
				}
			}
		})
	}
}

func flat(marks []rules.Told) (names []string) {
	for _, m := range marks {
		names = append(names, m.Kind+" "+m.Name)
	}
	return names
}

// playSome plays so many seconds of a night as fast as it goes and returns the marks told.
func playSome(t *testing.T, address string, l *listener, seconds int) (told []string) {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	night, err := New(2, "good-night")
	if err != nil {
		t.Fatal(err)
	}
	played := 0
	err = Player{
		Broker: "tcp://" + address, User: "instruments", Password: "secret",
		Log:  slog.New(slog.NewTextHandler(t.Output(), nil)),
		Kept: l.kept,
		Tell: func(_ context.Context, ms ...rules.Told) error {
			l.mu.Lock()
			defer l.mu.Unlock()
			m := ms[0] // the player tells one at a time
			if l.latest != m.Own {
				t.Errorf("the mark %s %s of %d came when the box had heard up to %d", m.Kind, m.Name, m.Own, l.latest)
			}
			told = append(told, m.Kind+" "+m.Name)
			return nil
		},
		Shown: func(tick Tick) {
			if played++; played == seconds {
				if err := l.kept(ctx, tick.At); err != nil {
					t.Error(err)
				}
				cancel()
			}
		},
	}.Play(ctx, night)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("Play ended with %v", err)
	}
	return told
}

// Without a broker Play waits for one until it is told to stop.
func TestPlayWaitsForABroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	night, err := New(1, "good-night")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	err = Player{Broker: "tcp://" + address, Log: slog.New(slog.NewTextHandler(t.Output(), nil))}.Play(ctx, night)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
}
