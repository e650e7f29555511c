package mqtt

import (
	"bytes"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

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

// What a lost connection may not have carried is not sent again by the next one,
// where it may no longer hold: whoever published it is told, and tells anew.
func TestWhatALostConnectionCarriedIsNotSentAgain(t *testing.T) {
	t.Parallel()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	heard := make(chan string, 16)
	go func() {
		for first := true; ; first = false {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				for {
					p, err := packets.ReadPacket(conn)
					if err != nil {
						return
					}
					switch p := p.(type) {
					case *packets.ConnectPacket:
						_ = connack(false).Write(conn)
					case *packets.PublishPacket:
						if first && p.TopicName == "old" {
							return // without a word
						}
						heard <- p.TopicName
						ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
						ack.MessageID = p.MessageID
						_ = ack.Write(conn)
					}
				}
			}()
		}
	}()
	p, ok, err := NewPublisher(sensors.Env{}, sensors.Config{Name: "site", Box: "box1", Device: node("url", "tcp://"+ln.Addr().String())}, "standwatch/box1/state")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	p.Connect()
	defer p.Close()
	<-p.Up()
	if err := p.Publish("first", true, []byte("holds")); err != nil {
		t.Fatal(err)
	}
	if err := p.Publish("old", true, []byte("held before")); err == nil {
		t.Error("a message that the broker never answered counts as told")
	}
	<-p.Up()
	for _, topic := range []string{"new", "newer"} {
		if err := p.Publish(topic, true, []byte("holds")); err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{"first", "new", "newer"} {
		if got := <-heard; got != want {
			t.Fatalf("the broker heard %s, want %s", got, want)
		}
	}
}
