package mqtt

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// packed is a PUBLISH packet (MQTT 3.1.1, section 3.3).
func packed(topic string, qos byte, id uint16, body []byte) []byte {
	var b []byte
	b = binary.BigEndian.AppendUint16(b, uint16(len(topic)))
	b = append(b, topic...)
	if qos > 0 {
		b = binary.BigEndian.AppendUint16(b, id)
	}
	b = append(b, body...)
	head := []byte{typePublish<<4 | qos<<1}
	for n := len(b); ; {
		x := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			head = append(head, x|0x80)
			continue
		}
		return append(append(head, x), b...)
	}
}

// wire is what a capped connection reads from and writes to.
type wire struct {
	net.Conn
	in  io.Reader
	out bytes.Buffer
}

func (w *wire) Read(p []byte) (int, error)  { return w.in.Read(p) }
func (w *wire) Write(p []byte) (int, error) { return w.out.Write(p) }

func TestTooLargeAMessageIsReadAway(t *testing.T) {
	small := packed("a/b", 1, 7, []byte("small"))
	ping := []byte{0xd0, 0}
	var stream []byte
	for _, part := range [][]byte{small, packed("a/large", 1, 8, make([]byte, 70_000)), ping, packed("a/silent", 0, 0, make([]byte, 5000)), small} {
		stream = append(stream, part...)
	}
	for _, piece := range []int{1, 3, 1 << 20} {
		w := &wire{in: &pieces{stream, piece}}
		var over []string
		got, err := io.ReadAll(newCapped(w, 1000, func(topic string, n int) { over = append(over, fmt.Sprint(topic, " ", n)) }))
		want := bytes.Join([][]byte{small, ping, small}, nil)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("in pieces of %d: %v, %d bytes pass, want %d", piece, err, len(got), len(want))
		}
		if fmt.Sprint(over) != "[a/large 70011 a/silent 5010]" || !bytes.Equal(w.out.Bytes(), []byte{typePuback << 4, 2, 0, 8}) {
			t.Errorf("in pieces of %d: %v, answered %v", piece, over, w.out.Bytes())
		}
	}
	for what, bad := range map[string][]byte{"a topic longer than its message": {0x30, 0xd0, 0x0f, 0xff, 0xff}, "five bytes of length": {0x30, 0xff, 0xff, 0xff, 0xff, 1},
		"a large packet that is no message": {0x90, 0xff, 0xff, 0x7f}} {
		if _, err := io.ReadAll(newCapped(&wire{in: bytes.NewReader(append(bad, make([]byte, 70_000)...))}, 1000, nil)); err == nil {
			t.Errorf("%s passes", what)
		}
	}
}

type pieces struct {
	rest []byte
	size int
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(b[:min(len(b), p.size)], p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func FuzzCapped(f *testing.F) {
	f.Add(packed("a/b", 1, 7, []byte("small")))
	f.Add(packed("a/b", 1, 7, make([]byte, 300)))
	f.Fuzz(func(t *testing.T, stream []byte) {
		w := &wire{in: bytes.NewReader(stream)}
		got, _ := io.ReadAll(newCapped(w, 100, nil))
		if len(got) > len(stream) || !bytes.HasPrefix(stream, got[:min(len(got), 1)]) && len(stream) < 100 {
			t.Errorf("%d bytes of %d", len(got), len(stream))
		}
	})
}

// A listener hears what is retained and what is new, outlives a broker that
// forgets, and what is too large keeps nothing else from coming.
func TestRealListener(t *testing.T) {
	m := newMosquitto(t, "allow_anonymous true").start()
	url := sensors.Node{Kind: sensors.Scalar, Text: "tcp://" + m.address()}
	entry := sensors.Node{Kind: sensors.Mapping, Fields: []sensors.Field{{Key: "url", Value: url}, {Key: "retry", Value: sensors.Node{Kind: sensors.Scalar, Text: "200ms"}}}}
	var mu sync.Mutex
	heard, ups := map[string]string{}, 0
	l, err := NewListener("company", entry, Hearing{
		Filter: "standwatch/+/#", Most: 1000,
		Up: func() { mu.Lock(); defer mu.Unlock(); ups++ },
		Hear: func(topic string, payload []byte, retained bool) {
			mu.Lock()
			defer mu.Unlock()
			heard[topic] = fmt.Sprint(string(payload), " ", retained)
		},
		Over:   func(topic string, n int) { mu.Lock(); defer mu.Unlock(); heard[topic] = fmt.Sprint("over ", n) },
		Status: func(bool, string) {},
	}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + m.address()).SetClientID("teller").SetConnectRetry(true).SetMaxReconnectInterval(time.Second))
	tell := func(topic, payload string, retained bool) {
		t.Helper()
		if tok := client.Publish(topic, 1, retained, payload); !tok.WaitTimeout(2*time.Minute) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
	}
	if tok := client.Connect(); !tok.WaitTimeout(2*time.Minute) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer client.Disconnect(100)
	tell("standwatch/a/state", "online", true)
	for i := range 50 { // more than a broker lets be in flight
		tell(fmt.Sprintf("standwatch/a/large/%d", i), strings.Repeat("x", 100_000), true)
	}
	tell("standwatch/z/state", "online", true)
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = l.Run(ctx) })
	defer running.Wait()
	defer stop()
	until := func(topic, want string) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
			mu.Lock()
			got := heard[topic]
			mu.Unlock()
			if got == want {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("%s: heard %q, want %q", topic, got, want)
			}
		}
	}
	until("standwatch/a/state", "online true")
	until("standwatch/z/state", "online true")
	until("standwatch/a/large/49", "over 100025")
	tell("standwatch/z/state", "offline", true)
	until("standwatch/z/state", "offline false")
	m.stop(9)
	m.start()
	for end := time.Now().Add(2 * time.Minute); !client.IsConnectionOpen() && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	tell("standwatch/b/state", "online", true)
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		mu.Lock()
		again := ups > 1
		mu.Unlock()
		if again {
			break
		}
	}
	tell("standwatch/c/state", "online", true)
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		mu.Lock()
		got := heard["standwatch/c/state"]
		mu.Unlock()
		if strings.HasPrefix(got, "online") {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("after the broker's restart nothing is heard: %q", got)
		}
	}
}
