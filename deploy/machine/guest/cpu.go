package main

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sys/unix"
)

// What a small box's core is taken to do: nothing is measured there, and the figure scales with both.
const (
	hertz   = 1.5e9 // of a board such as are sold for this; common practice
	fewest  = 0.5   // instructions a cycle: an estimate, for code that misses its caches
	most    = 1.0   // and for code that mostly does not
	listed  = 200   // points, each once a second
	warming = 5 * time.Second
	counted = 30 * time.Second
)

// cost starts the product with 200 points that come by MQTT, each once a second, and
// counts its instructions. The machine's clock counts instructions, 1 ns each, so the
// time that the kernel says the product had is what it executed, in the kernel too.
func cost() error {
	broker := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := errors.Join(
		broker.AddHook(new(everybody), nil),
		broker.AddListener(listeners.NewTCP(listeners.Config{ID: "site", Address: "127.0.0.1:1883"})),
		broker.Serve(),
	); err != nil {
		return err
	}
	box, err := start(many())
	if err != nil {
		return err
	}
	begun := time.Now()
	for time.Since(begun) < patience {
		if _, err = listen(); err == nil {
			break
		}
		time.Sleep(step)
	}
	if err != nil {
		return err
	}
	began, err := executed(box.Process.Pid)
	if err != nil {
		return err
	}
	fmt.Printf("until its pages answer: %.2f thousand million instructions\n", began/1e9)

	go publish(broker)
	time.Sleep(warming)
	from, err := executed(box.Process.Pid)
	if err != nil {
		return err
	}
	at := time.Now()
	kept, err := total()
	if err != nil {
		return err
	}
	time.Sleep(counted)
	to, err := executed(box.Process.Pid)
	if err != nil {
		return err
	}
	took := time.Since(at).Seconds()
	now, err := total()
	if err != nil {
		return err
	}
	rate := (now - kept) / took
	per := (to - from) / took
	fmt.Printf("%d points at 1 Hz by MQTT, over %.0f s: %.1f million instructions a second for %.1f readings a second, committed each 250 ms and judged\n",
		listed, took, per/1e6, rate)
	fmt.Printf("of one core at %.1f GHz: %.1f %% at %.1f, %.1f %% at %.1f instructions a cycle (assumed)\n",
		hertz/1e9, 100*per/hertz/most, most, 100*per/hertz/fewest, fewest)
	if rate < 0.98*listed || rate > 1.02*listed {
		err = fmt.Errorf("%.1f readings a second were kept, not %d", rate, listed)
	}
	if stop := box.stop(); err == nil {
		err = stop
	}
	if err != nil {
		box.tail()
	}
	return err
}

// everybody lets everybody in: the broker is the rig's own.
type everybody struct{ mochi.HookBase }

func (*everybody) ID() string { return "everybody" }
func (*everybody) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*everybody) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*everybody) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

// many is the site of the count.
func many() []byte {
	var b bytes.Buffer
	b.WriteString("site: {name: Quayside Library, timezone: Europe/Lisbon}\nbox: {name: rig-box}\n" +
		"web: {local: \"127.0.0.1:8080\"}\nsystem: {refrigerant: R-410A}\n" +
		"brokers: [{name: site, url: \"tcp://127.0.0.1:1883\"}]\npoints:\n")
	for i := range listed {
		fmt.Fprintf(&b, "  - {name: probe-%03d, measures: temperature, unit: C, every: 1s, mqtt: {topic: quay/probe-%03d, value: /value, time: /time}}\n", i, i)
	}
	return b.Bytes()
}

// publish sends each point once a second, spread over it.
func publish(broker *mochi.Server) {
	tick := time.NewTicker(time.Second / 20)
	for n := 0; ; n++ {
		now := <-tick.C
		for i := n % 20; i < listed; i += 20 {
			payload := fmt.Sprintf(`{"value": %.2f, "time": %q}`, 20+float64((n*7+i*13)%100)/100, now.UTC().Format("2006-01-02T15:04:05.000Z07:00"))
			if err := broker.Publish(fmt.Sprintf("quay/probe-%03d", i), []byte(payload), false, 1); err != nil {
				fmt.Println("rig: publish:", err)
				os.Exit(1) // the kernel panics then, and the rig has not passed
			}
		}
	}
}

// total counts the readings that the box has kept.
func total() (n float64, err error) {
	all, err := listen()
	for _, s := range all {
		n += s.count
	}
	return n, err
}

// executed is the processor time of a process in ns, from the kernel's own
// account of it: here, its instructions.
func executed(pid int) (float64, error) {
	var t unix.Timespec
	const scheduled = 2                 // CPUCLOCK_SCHED, of include/linux/posix-timers.h
	clock := int32(^pid)<<3 | scheduled // of a process, as clock_getcpuclockid(3) makes it
	err := unix.ClockGettime(clock, &t)
	return float64(t.Nano()), err
}
