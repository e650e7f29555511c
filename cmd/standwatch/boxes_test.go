package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"standwatch/daemon"
)

// Each worked box starts as it stands in configs, on a machine that has none of its
// instruments: every point that is wired tells why it has no value, and the box stops in order.
func TestEachWorkedBoxStarts(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"wired", "mqtt", "mixed"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			text, err := os.ReadFile("../../configs/" + name + ".yaml")
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			site := filepath.Join(dir, "site.yaml")
			port := fmt.Sprint(freePort(t))
			write(t, site, fmt.Sprintf("web: {listen: \"127.0.0.1:%d\"}\n", freePort(t))+strings.ReplaceAll(string(text), ":1883", ":"+port))
			read, faults := daemon.Load(site)
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			var wired []string
			for _, d := range read.Devices {
				if d.Driver.Device == "broker" {
					continue
				}
				for _, p := range d.Config.Points {
					wired = append(wired, p.Name)
				}
			}
			if (len(wired) == 0) != (name == "mqtt") {
				t.Errorf("%d points are wired", len(wired))
			}
			c := startRun(t, site, nil)
			if name == "mqtt" {
				waitUp(t, site) // its broker is within
				// As the head of the file says.
				if out, err := exec.Command("mosquitto_pub", "-p", port, "-u", "bridge", "-P", "choose another", "-q", "1", "-t", "bridge/gauge",
					"-m", `{"value": 312, "unit": "micron", "battery": 81, "seq": 7}`).CombinedOutput(); err != nil {
					t.Fatalf("mosquitto_pub: %v\n%s", err, out)
				}
				eventually(t, "what is published is a reading", func() bool {
					out, err := exec.Command("standwatch", "export", "--data", filepath.Join(dir, "data")).Output()
					return err == nil && strings.Contains(string(out), ",reading,gauge,")
				})
			}
			eventually(t, "every wired point tells why it has no value", func() bool {
				out, err := exec.Command("standwatch", "export", "--data", filepath.Join(dir, "data")).Output()
				if err != nil {
					return false
				}
				for _, p := range wired {
					_, after, told := strings.Cut(string(out), ",reading,"+p+",,")
					line, _, _ := strings.Cut(after, "\n")
					if _, reason, ok := strings.Cut(line, ","); !told || !ok || reason == "" {
						return false
					}
				}
				return true
			})
			if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := c.cmd.Wait(); err != nil {
				t.Errorf("a stop in order ends with %v", err)
			}
		})
	}
}
