package mqtt

import (
	"context"
	"errors"
	"net"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

// miniature is a broker with one client, over net.Pipe: it answers, and once
// subscribed to it publishes.
type miniature struct {
	present bool     // the session was kept
	before  []string // payloads it sends before it answers the subscription
	late    []string // after that, but queued before it
	after   []string // published once the box has put up its fence
	refuse  bool     // of the topic
	dumb    bool     // takes the connection and says nothing
	acked   []uint16

	fenceless bool // refuses the box's own topic
	mute      bool // swallows what the box publishes, as where it has no right to
}

func (b *miniature) serve(conn net.Conn) {
	defer conn.Close()
	out := make(chan packets.ControlPacket, 64)
	defer close(out)
	go func() { // net.Pipe has no buffer: who only reads or only writes waits for ever
		for p := range out {
			if p.Write(conn) != nil {
				_ = conn.Close()
			}
		}
	}()
	id := uint16(0)
	send := func(payloads []string) {
		for _, p := range payloads {
			id++
			out <- publication("t", p, id)
		}
	}
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch p := p.(type) {
		case *packets.ConnectPacket:
			if b.dumb {
				continue
			}
			out <- connack(b.present)
			send(b.before)
		case *packets.SubscribePacket:
			codes := make([]byte, len(p.Topics))
			for i, topic := range p.Topics {
				if codes[i] = 1; b.refuse && topic == "t" || b.fenceless && topic != "t" {
					codes[i] = 128
				}
			}
			out <- suback(p.MessageID, codes...)
			if b.fenceless {
				time.Sleep(time.Second) // the box has understood that there is no fence
				send(b.late)
				send(b.after)
				continue
			}
			send(b.late)
		case *packets.PublishPacket: // the fence, the only thing the box publishes
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = p.MessageID
			out <- ack
			id++
			if !b.mute {
				out <- publication(p.TopicName, string(p.Payload), id)
			}
			send(b.after)
		case *packets.PingreqPacket:
			out <- packets.NewControlPacket(packets.Pingresp)
		case *packets.PubackPacket:
			b.acked = append(b.acked, p.MessageID)
		case *packets.DisconnectPacket:
			return
		}
	}
}

// through is the driver with a way to a miniature; nil: nobody answers.
func through(b func() *miniature) sensors.Driver {
	d := Driver()
	d.New = func(env sensors.Env, c sensors.Config) (sensors.Source, error) {
		s, err := newSource(env, c)
		if err != nil {
			return nil, err
		}
		s.(*source).dial = func(context.Context, string, string) (net.Conn, error) {
			broker := b()
			if broker == nil {
				return nil, errors.New("nobody there")
			}
			here, there := net.Pipe()
			go broker.serve(there)
			return here, nil
		}
		return s, nil
	}
	return d
}

func TestConformance(t *testing.T) {
	t.Parallel()
	var scene sensortest.Scene
	sensortest.Run(t, sensortest.Suite{
		Driver: through(func() *miniature {
			switch scene {
			case sensortest.Absent:
				return nil
			case sensortest.Garbled:
				return &miniature{after: []string{`{"v":21.`}}
			case sensortest.Stuck:
				return &miniature{dumb: true}
			}
			return &miniature{after: []string{`{"v":21.5,"t":1764021000,"n":4}`, `{"v":"22"}`}}
		}),
		Config: sensors.Config{Name: "site", Box: "box1", Device: node("url", "tcp://broker:1883"),
			Points: []sensors.Point{point("a", sensors.Temperature, "C", "topic", "t", "value", "/v", "time", "/t", "seq", "/n")}},
		World: func(s sensortest.Scene) (sensors.Env, func()) {
			scene = s
			return sensors.Env{}, nil
		},
		Want: []sensors.Reading{
			{Point: "a", Value: 21.5, Own: 1764021000000, Seq: 4, HasSeq: true},
			{Point: "a", Value: 22},
		},
		Garbled: sensors.ReasonGarbage,
		Stops:   time.Second,
	})
}

// A resumed session's messages that come before the answer to the
// subscription, or before the fence, waited at the broker; acknowledgements keep the
// order of the messages, also of those with nothing to keep.
func TestResumedSession(t *testing.T) {
	t.Parallel()
	const old, live = "a=suspect(queued)1 a=suspect(queued)2 ", "a=4 "
	for why, c := range map[string]struct {
		b    miniature
		want string
	}{
		"fence":     {miniature{present: true}, old + "a=suspect(queued)3  " + live},
		"fenceless": {miniature{present: true, fenceless: true}, old + "a=3 " + live},                       // the limit of it
		"mute":      {miniature{present: true, mute: true}, old + "a=suspect(queued)3 a=suspect(queued)4 "}, // for half a minute
		"new":       {miniature{}, "a=1 a=2 a=3  " + live},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := &c.b
			b.before, b.late, b.after = []string{"1", "2"}, []string{"3"}, []string{"4"}
			s, err := through(func() *miniature { return b }).New(sensors.Env{}, sensors.Config{Name: "site", Box: "box1",
				Device: node("url", "tcp://broker:1883"), Points: []sensors.Point{point("a", sensors.Mass, "kg", "topic", "t")}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error)
			var kept []func()
			got := ""
			go func() {
				done <- s.Run(ctx, func(d sensors.Delivery) {
					got += show(d.Readings) + " "
					kept = append(kept, d.Kept)
				})
			}()
			time.Sleep(time.Minute) // pings go and come
			synctest.Wait()
			if got != c.want {
				t.Errorf("%s: %s, want %s", why, got, c.want)
			}
			if len(b.acked) > 0 {
				t.Errorf("%s: %v acknowledged before they were kept", why, b.acked)
			}
			for _, k := range kept {
				k()
			}
			time.Sleep(time.Second)
			synctest.Wait()
			if len(b.acked) != len(kept) || len(kept) < 4 {
				t.Errorf("%s: acknowledged %v of %d", why, b.acked, len(kept))
			}
			if !slices.IsSorted(b.acked) {
				t.Errorf("%s: acknowledged in the order %v", why, b.acked)
			}
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			time.Sleep(time.Minute)
		})
	}
}

// A refused subscription is told in a sentence a person can act on.
func TestRefused(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var ok bool
		var said string
		env := sensors.Env{Status: func(_ string, is bool, s string) { ok, said = is, s }}
		s, err := through(func() *miniature { return &miniature{refuse: true} }).New(env, sensors.Config{Name: "site", Box: "box1",
			Device: node("url", "tcp://broker:1883", "user", "box"), Points: []sensors.Point{point("a", sensors.Mass, "kg", "topic", "t")}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx, func(sensors.Delivery) {}) }()
		time.Sleep(time.Second)
		synctest.Wait()
		if want := `Broker site refuses to let the box read t. Give its user "box" the right to.`; ok || said != want {
			t.Errorf("%t %q, want %q", ok, said, want)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		time.Sleep(time.Minute)
	})
}

// Another client of the same name throws this one out, and is thrown out in
// turn: after the fourth loss within a minute a person is told what that means.
func TestNameUsedTwice(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := &source{}
		for i, want := range []bool{false, false, false, true} {
			time.Sleep(15 * time.Second)
			if got := s.often(); got != want {
				t.Errorf("loss %d: often %t, want %t", i+1, got, want)
			}
		}
		time.Sleep(time.Minute)
		if s.often() {
			t.Error("one loss in a minute is often")
		}
	})
}
