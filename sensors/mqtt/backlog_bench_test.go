package mqtt

import (
	"context"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/sensors"
)

// BenchmarkRealBacklog drains what waits at a broker for a session that was
// away: by a client that only acknowledges, and by the source with a loop behind it
// that keeps in batches as the daemon does. Compare messages/s and cpu-us/message.
func BenchmarkRealBacklog(b *testing.B) {
	b.Run("bare", func(b *testing.B) { backlog(b, drainBare) })
	b.Run("source", func(b *testing.B) { backlog(b, drainSource) })
}

func backlog(b *testing.B, drain func(b *testing.B, m *mosquitto, n int)) {
	m := newMosquitto(b, anybody)
	// Saving at every change would make the broker write the whole backlog for each message.
	m.write("mosquitto.conf", strings.Replace(string(must(os.ReadFile(m.conf))), "persistence true", "persistence false", 1))
	m.start()
	session := func() paho.Client {
		return m.publisher(func(o *paho.ClientOptions) {
			o.SetClientID(ClientID("box1", "site")).SetCleanSession(false)
		})
	}
	c := session()
	c.Subscribe("plant/gauge", 1, nil).WaitTimeout(5 * time.Second)
	c.Disconnect(100)
	p := m.publisher(nil)
	var last paho.Token
	for i := range b.N {
		last = p.Publish("plant/gauge", 1, false, fmt.Sprintf(`{"id":"gauge-7","p":312.5,"t":%d,"n":%d}`, 1764021600000+int64(i), i))
	}
	if !last.WaitTimeout(10 * time.Minute) {
		b.Fatal("publishing takes too long")
	}
	p.Disconnect(100)
	before := cpu(b)
	b.ResetTimer()
	drain(b, m, b.N)
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
	b.ReportMetric(float64((cpu(b)-before).Microseconds())/float64(b.N), "cpu-us/message")
}

func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func drainBare(b *testing.B, m *mosquitto, n int) {
	all := make(chan bool)
	left := n
	m.publisher(func(o *paho.ClientOptions) {
		o.SetClientID(ClientID("box1", "site")).SetCleanSession(false).SetAutoAckDisabled(true).SetStore(paho.NewOrderedMemoryStore())
		o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			m.Ack()
			if left--; left == 0 {
				close(all)
			}
		})
	})
	<-all
}

func drainSource(b *testing.B, m *mosquitto, n int) {
	s, err := newSource(sensors.Env{}, sensors.Config{Name: "site", Box: "box1", Device: plainBroker(m), Points: []sensors.Point{
		point("gauge", sensors.Vacuum, "micron", "topic", "plant/gauge", "value", "/p", "time", "/t", "seq", "/n")}})
	if err != nil {
		b.Fatal(err)
	}
	const most = 8192 // readings that are kept at once, as in the daemon
	queue := make(chan sensors.Delivery, most)
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx, func(d sensors.Delivery) { queue <- d }) }()
	batch := make([]sensors.Delivery, 0, most)
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	keep := func() {
		for _, d := range batch {
			d.Kept()
		}
		batch = batch[:0]
	}
	for left := n; left > 0; {
		select {
		case d := <-queue:
			left--
			if batch = append(batch, d); len(batch) == most {
				keep()
			}
		case <-tick.C:
			keep()
		}
	}
	keep()
	b.StopTimer()
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
