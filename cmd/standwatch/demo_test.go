package main

import (
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/daemon/simulate"
)

// TestDemoIsTheSameAtAnySpeed plays one night twice at once, as fast as it goes
// and at a pace, over real MQTT each: what the box finds is the same to the
// letter, and it is what the scenario says.
func TestDemoIsTheSameAtAnySpeed(t *testing.T) {
	t.Parallel()
	const scenario = "eventful"
	play := func(speed string, more ...string) (found, all string, err error) {
		out, err := exec.Command("standwatch", append([]string{"demo", "--once", "--seed", "11", "--scenario", scenario, "--speed", speed, "--listen", "127.0.0.1:0"}, more...)...).CombinedOutput()
		var lines []string
		for line := range strings.Lines(string(out)) {
			if strings.HasPrefix(line, "20") { // a finding begins with its date
				lines = append(lines, line)
			}
		}
		return strings.Join(lines, ""), string(out), err
	}
	type night struct {
		found, all string
		err        error
	}
	paced := make(chan night)
	go func() {
		found, all, err := play("1500")
		paced <- night{found, all, err}
	}()
	kept := filepath.Join(t.TempDir(), "kept")
	fast, all, err := play("0", "--data", kept)
	slow := <-paced
	if err != nil || slow.err != nil {
		t.Fatalf("%v\n%s\n%v\n%s", err, all, slow.err, slow.all)
	}
	if fast != slow.found {
		t.Errorf("as fast as it goes the box found\n%s\nat a pace\n%s", fast, slow.found)
	}
	_, after, _ := strings.Cut(all, "The night is kept: ") // and what it says then is true
	said, _, _ := strings.Cut(after, "\n")
	if words := strings.Fields(said); len(words) != 4 {
		t.Errorf("it does not say how to see what was kept:\n%s", all)
	} else if out, err := exec.Command(words[0], append(words[1:], "--format", "csv", "--out", "-")...).Output(); err != nil || !strings.Contains(string(out), "weigh-in") {
		t.Errorf("%s: %v\n%s", said, err, out)
	}
	for _, s := range simulate.Scenarios() {
		if s.Name != scenario {
			continue
		}
		for _, flag := range s.Flags {
			if !strings.Contains(fast, flag+" raised") {
				t.Errorf("%s was not raised:\n%s", flag, fast)
			}
		}
	}
}
