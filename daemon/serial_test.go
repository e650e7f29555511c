package daemon

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"standwatch/sensors"
	"standwatch/sensors/serialscale"
)

// terminal is a pseudo-terminal: what is written to master comes out of the port.
func terminal(t *testing.T) (master *os.File, port string) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := master.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if e := raw.Control(func(fd uintptr) {
		if err = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); err == nil {
			n, err = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	}); e != nil || err != nil {
		t.Fatal(e, err)
	}
	return master, fmt.Sprintf("/dev/pts/%d", n)
}

// indicator answers a pseudo-terminal's asks with a weight until it is closed.
func indicator(master *os.File) {
	buf := make([]byte, 64)
	for {
		n, err := master.Read(buf)
		if err != nil {
			return
		}
		if strings.Contains(string(buf[:n]), "W\r") {
			if _, err := master.WriteString("US,GS,+0031.250kg\r\n"); err != nil {
				return
			}
		}
	}
}

// A scale on a real port of the kernel: it weighs, is unplugged, and comes back as another
// port under the same name.
func TestScaleOnAPort(t *testing.T) {
	t.Parallel()
	const byID = "/dev/serial/by-id/usb-indicator-0001-port0"
	link := filepath.Join(t.TempDir(), "port0") // as udev links it
	plug := func() (unplug func()) {
		master, port := terminal(t)
		go indicator(master)
		_ = os.Remove(link)
		if err := os.Symlink(port, link); err != nil {
			t.Fatal(err)
		}
		return func() { _ = master.Close() }
	}
	unplug := plug()
	settings := sensors.Node{Kind: sensors.Mapping}
	for key, text := range map[string]string{"port": byID, "ask": `W\r`, "frame": "{ST=stable|US=motion},{GS=gross|NT=net},{value}{unit}"} {
		settings.Fields = append(settings.Fields, sensors.Field{Key: key, Value: sensors.Node{Kind: sensors.Scalar, Text: text}})
	}
	said := make(chan string, 100)
	env := wired(sensors.Env{Status: func(_ string, _ bool, s string) { said <- s }})
	env.Serial = func(_ string, line sensors.SerialLine) (io.ReadWriteCloser, error) { return openSerial(link, line) }
	source, err := serialscale.Driver().New(env, sensors.Config{Name: byID, Points: []sensors.Point{
		{Name: "scale", Quantity: sensors.Mass, Unit: "kg", Every: 100 * time.Millisecond, Settings: settings}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	got := make(chan sensors.Reading)
	var done sync.WaitGroup
	done.Go(func() {
		_ = source.Run(ctx, func(d sensors.Delivery) {
			for _, r := range d.Readings {
				select {
				case got <- r:
				case <-ctx.Done():
				}
			}
		})
	})
	defer done.Wait()
	defer cancel()
	weighs := sensors.Reading{Point: "scale", Value: 31.25, Health: sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonMotion}}
	until := func(want sensors.Reading) {
		t.Helper()
		tooLate := time.After(2 * time.Minute)
		for {
			select {
			case r := <-got:
				if r == want {
					return
				}
				if r != weighs && r.Health.Grade != sensors.Failed { // a weight may have been on its way when the plug was pulled
					t.Fatalf("%+v, want %+v", r, want)
				}
			case <-tooLate:
				t.Fatalf("it never came: %+v", want)
			}
		}
	}
	until(weighs)
	if _, err := openSerial(filepath.Join(t.TempDir(), "none"), sensors.SerialLine{Baud: 9600, DataBits: 8}); err == nil || !strings.Contains(err.Error(), "is its adapter plugged in?") {
		t.Error(err)
	}
	unplug()
	until(sensors.Reading{Point: "scale", Health: sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonDisconnected}})
	defer plug()()
	until(weighs)
	var sentences []string
	for len(said) > 0 {
		sentences = append(sentences, <-said)
	}
	text := strings.Join(sentences, "\n")
	for _, want := range []string{"Sends weights.", "Was lost: "} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in:\n%s", want, text)
		}
	}
}
