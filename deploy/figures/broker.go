package main

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// mosquitto is a real broker that keeps any number of messages for a client
// that is away. Its log tells when clients come.
type mosquitto struct {
	url, port string
	cmd       *exec.Cmd
	lines     chan string
}

func startMosquitto(dir string) (*mosquitto, error) {
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\n"+
		"persistence false\nlog_dest stderr\nlog_type notice\nlog_type subscribe\nlog_type error\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	m := &mosquitto{url: "tcp://127.0.0.1:" + port, port: port, cmd: exec.Command("mosquitto", "-c", conf), lines: make(chan string, 10_000)}
	out, err := m.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := m.cmd.Start(); err != nil {
		return nil, fmt.Errorf("%w; deploy/bench installs mosquitto", err)
	}
	go func() {
		defer close(m.lines)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			m.lines <- lines.Text()
		}
	}()
	return m, waitDial("127.0.0.1:"+port, 5*time.Second)
}

func (m *mosquitto) stop() {
	_ = m.cmd.Process.Kill() // it keeps nothing
	_ = m.cmd.Wait()
}

// await waits for a line of the log that holds all the words.
func (m *mosquitto) await(limit time.Duration, words ...string) error {
	after := time.After(limit)
next:
	for {
		select {
		case <-after:
			return fmt.Errorf("mosquitto did not log %q within %s", words, limit)
		case line, ok := <-m.lines:
			if !ok {
				return fmt.Errorf("mosquitto ended before it logged %q", words)
			}
			for _, w := range words {
				if !strings.Contains(line, w) {
					continue next
				}
			}
			return nil
		}
	}
}

// message is one message of a backlog.
type message struct {
	topic   string
	payload []byte
}

// fill publishes QoS 1 messages as fast as the broker takes them and returns
// when it has acknowledged all.
func (m *mosquitto) fill(n int, nth func(int) message) error {
	c, err := dial(m.url, "filler", true)
	if err != nil {
		return err
	}
	defer c.Disconnect(100)
	window := make(chan mqtt.Token, 1000)
	var sent sync.WaitGroup
	var failed error
	sent.Go(func() {
		for t := range window {
			if !t.WaitTimeout(30*time.Second) && failed == nil {
				failed = fmt.Errorf("mosquitto did not acknowledge within 30 s")
			}
			if t.Error() != nil && failed == nil {
				failed = t.Error()
			}
		}
	})
	for i := range n {
		x := nth(i)
		window <- c.Publish(x.topic, 1, false, x.payload)
	}
	close(window)
	sent.Wait()
	return failed
}

// dial connects one client.
func dial(url, id string, clean bool) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(id).SetCleanSession(clean).SetAutoReconnect(false)
	c := mqtt.NewClient(o)
	t := c.Connect()
	if !t.WaitTimeout(10 * time.Second) {
		return nil, fmt.Errorf("%s: no answer", url)
	}
	return c, t.Error()
}

// owesNothing fails when the broker still has messages for a client: then they
// were taken, but not acknowledged.
func (m *mosquitto) owesNothing(client string) error {
	var left atomic.Int64
	o := mqtt.NewClientOptions().AddBroker(m.url).SetClientID(client).SetCleanSession(false).SetAutoReconnect(false)
	o.SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { left.Add(1) })
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return fmt.Errorf("%s: %v", m.url, t.Error())
	}
	defer c.Disconnect(100)
	time.Sleep(300 * time.Millisecond) // what it owes it sends at once
	if n := left.Load(); n > 0 {
		return fmt.Errorf("the broker still had messages for %s: %d or more", client, n)
	}
	return nil
}

// acknowledge is the yardstick: the least a subscriber can do that loses
// nothing. It acknowledges and counts, and says when it has counted all. With
// a count of 0 it only leaves its session behind.
func acknowledge(url, count string) error {
	var want, got int
	if _, err := fmt.Sscan(count, &want); err != nil {
		return err
	}
	done := make(chan struct{})
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("bare").SetCleanSession(false).
		SetStore(mqtt.NewOrderedMemoryStore()).SetOrderMatters(true).SetAutoAckDisabled(true)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		m.Ack()
		if got++; got == want {
			close(done)
		}
	})
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return fmt.Errorf("connecting to %s: %v", url, t.Error())
	}
	if t := c.Subscribe("bench/#", 1, nil); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return fmt.Errorf("subscribing: %v", t.Error())
	}
	if want > 0 {
		<-done
		fmt.Println("counted")
	}
	c.Disconnect(250)
	return nil
}

// child is a process whose time is counted.
type child struct {
	cmd *exec.Cmd
	log *os.File
}

func startChild(log string, name string, args ...string) (*child, error) {
	f, err := os.Create(log)
	if err != nil {
		return nil, err
	}
	c := &child{exec.Command(name, args...), f}
	c.cmd.Stderr, c.cmd.Stdout = f, f
	return c, c.cmd.Start()
}

// stop asks the process to end and waits for it.
func (c *child) stop() error {
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return c.wait()
}

func (c *child) wait() error {
	defer c.log.Close()
	kill := time.AfterFunc(60*time.Second, func() { _ = c.cmd.Process.Kill() }) // a bench ends whatever it measures
	defer kill.Stop()
	if err := c.cmd.Wait(); err != nil {
		text, _ := os.ReadFile(c.log.Name())
		return fmt.Errorf("%s: %w\n%s", filepath.Base(c.cmd.Path), err, tail(string(text), 2000))
	}
	return nil
}

// cpu is what the ended process used, start and stop included.
func (c *child) cpu() time.Duration {
	return c.cmd.ProcessState.UserTime() + c.cmd.ProcessState.SystemTime()
}

func tail(s string, n int) string { return s[max(0, len(s)-n):] }

func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	return port, err
}

func waitDial(address string, limit time.Duration) error {
	end := time.Now().Add(limit)
	for {
		c, err := net.Dial("tcp", address)
		if err == nil {
			return c.Close()
		}
		if time.Now().After(end) {
			return err
		}
		time.Sleep(10 * time.Millisecond)
	}
}
