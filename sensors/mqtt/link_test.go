package mqtt

import (
	"bytes"
	"io"
	"math/rand/v2"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// encode writes packets as paho does.
func encode(t testing.TB, ps ...packets.ControlPacket) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, p := range ps {
		if err := p.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

func connack(present bool) packets.ControlPacket {
	p := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	p.SessionPresent = present
	return p
}

func publication(topic, payload string, id uint16) *packets.PublishPacket {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.MessageID = topic, []byte(payload), 1, id
	return p
}

func suback(id uint16, codes ...byte) packets.ControlPacket {
	p := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	p.MessageID, p.ReturnCodes = id, codes
	return p
}

// The packets are found however the stream is cut.
func TestFrames(t *testing.T) {
	t.Parallel()
	long := publication("t", string(make([]byte, 20000)), 3)
	stream := encode(t, connack(true), publication("t", "1", 1), packets.NewControlPacket(packets.Pingresp), long, suback(1, 1), publication("t", "2", 4))
	want := "2:1 3:0 13:0 3:0 9:0 3:0 "
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 1))
		var f frames
		got := ""
		for rest := stream; len(rest) > 0; {
			n := 1 + r.IntN(min(len(rest), 1+int(seed*seed)))
			f.walk(rest[:n], func(kind, first byte) { got += itoa(kind) + ":" + itoa(first) + " " })
			rest = rest[n:]
		}
		if got != want {
			t.Fatalf("seed %d: %s, want %s", seed, got, want)
		}
	}
}

func itoa(b byte) string {
	if b >= 10 {
		return string([]byte{'0' + b/10, '0' + b%10})
	}
	return string([]byte{'0' + b})
}

// Messages before the answer to the subscription were queued, in a resumed
// session only; the handler may lag behind the reader.
func TestQueuedBeforeTheSubscription(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		resumed bool
		want    []bool
	}{{true, []bool{true, true, false, false}}, {false, []bool{false, false, false, false}}} {
		here, there := net.Pipe()
		l := newLink(here, time.Second)
		go func() {
			_, _ = there.Write(encode(t, connack(c.resumed), publication("t", "1", 1), publication("t", "2", 2), suback(1, 1), publication("t", "3", 3), publication("t", "4", 4)))
			_ = there.Close()
		}()
		if _, err := io.ReadAll(l); err != nil {
			t.Fatal(err)
		}
		l.caughtUp()
		for i, want := range c.want {
			if got := l.queued(); got != want {
				t.Errorf("resumed %t, message %d: queued %t, want %t", c.resumed, i+1, got, want)
			}
		}
		_ = l.Close()
	}
}

// Acknowledgements are gathered, and never overtake or are overtaken.
func TestLinkWrites(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		l := newLink(here, time.Second)
		go l.gather()
		ack := func(id uint16) []byte {
			p := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			p.MessageID = id
			return encode(t, p)
		}
		var want []byte
		pieces := make(chan []byte, 100)
		go func() {
			b := make([]byte, 1<<20)
			for {
				n, err := there.Read(b)
				if err != nil {
					close(pieces)
					return
				}
				pieces <- bytes.Clone(b[:n])
			}
		}()
		for id := range uint16(1000) {
			want = append(want, ack(id)...)
			if _, err := l.Write(ack(id)); err != nil {
				t.Fatal(err)
			}
		}
		ping := encode(t, packets.NewControlPacket(packets.Pingreq))
		want = append(want, ping...)
		if _, err := l.Write(ping); err != nil {
			t.Fatal(err)
		}
		want = append(want, ack(7)...)
		if _, err := l.Write(ack(7)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * ackGather)
		_ = l.Close()
		var got []byte
		writes := 0
		for p := range pieces {
			got = append(got, p...)
			writes++
		}
		if !bytes.Equal(got, want) {
			t.Error("the bytes differ")
		}
		if writes > 10 {
			t.Errorf("%d writes for 1,000 acknowledgements", writes)
		}
		if _, err := l.Write(ping); err == nil {
			t.Error("a closed link takes a packet")
		}
	})
}

// A broker that takes nothing more does not hold a writer for ever.
func TestLinkWriteTimeout(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		here, _ := net.Pipe()
		l := newLink(here, writeTimeout)
		defer l.Close()
		begun := time.Now()
		if _, err := l.Write(encode(t, packets.NewControlPacket(packets.Pingreq))); err == nil {
			t.Error("nobody reads, and the write succeeds")
		}
		if took := time.Since(begun); took != writeTimeout {
			t.Errorf("given up after %s, want %s", took, writeTimeout)
		}
	})
}

// Whatever a broker sends, and however it is cut, the same packets are seen.
func FuzzFrames(f *testing.F) {
	f.Add(encode(f, connack(true), publication("t", "1", 1), suback(1, 1)), uint8(3))
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0xff, 0xff}, uint8(1))
	f.Add([]byte{0x30, 0, 0x30, 0x80, 0}, uint8(2))
	f.Fuzz(func(t *testing.T, stream []byte, piece uint8) {
		see := func(n int) string {
			var f frames
			got := ""
			for rest := stream; len(rest) > 0; {
				m := min(n, len(rest))
				f.walk(rest[:m], func(kind, first byte) { got += string([]byte{kind, first}) })
				rest = rest[m:]
			}
			return got
		}
		if a, b := see(len(stream)+1), see(int(piece)+1); a != b {
			t.Errorf("% x: whole %q, in pieces of %d %q", stream, a, int(piece)+1, b)
		}
	})
}
