package mqtt

import (
	"bytes"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"standwatch/sensors"
)

// lines are what was logged, for several goroutines.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// A broker that does not let the box look for what an earlier run left is no
// trouble, but somebody should know why old flags stand there.
func TestARefusedSweepIsLogged(t *testing.T) {
	t.Parallel()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			go (&miniature{fenceless: true}).serve(conn) // refuses every topic but one
		}
	}()
	var log lines
	p, ok, err := NewPublisher(sensors.Env{Log: slog.New(slog.NewTextHandler(&log, nil))},
		sensors.Config{Name: "site", Box: "box1", Device: node("url", "tcp://"+ln.Addr().String())}, "standwatch/box1/state")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	p.Connect()
	defer p.Close()
	select {
	case <-p.Up():
	case <-time.After(2 * time.Minute):
		t.Fatal("no connection: " + p.Away())
	}
	p.Sweep("standwatch/box1/flag")
	for end := time.Now().Add(2 * time.Minute); !strings.Contains(log.String(), "the broker refuses"); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("nothing was logged of the refusal: %s", log.String())
		}
	}
}
