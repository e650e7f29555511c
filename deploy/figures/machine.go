package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"
)

// machine prints what the figures were measured on.
func machine(dir string) {
	var u syscall.Utsname
	kernel := "unknown"
	if syscall.Uname(&u) == nil {
		var b []byte
		for _, c := range u.Release {
			if c == 0 {
				break
			}
			b = append(b, byte(c))
		}
		kernel = string(b)
	}
	fmt.Printf("machine: %d cores of %s, %s memory, kernel %s, %s, load %s\n",
		runtime.NumCPU(), procField("/proc/cpuinfo", "model name"), procField("/proc/meminfo", "MemTotal"),
		kernel, runtime.Version(), strings.Join(strings.Fields(read("/proc/loadavg"))[:1], ""))
	fmt.Printf("disk: %s, %s\n", filesystem(dir), syncTimes(dir))
	out, _ := exec.Command("mosquitto", "-h").Output() // it exits with a status although all is well
	first, _, _ := strings.Cut(string(out), "\n")
	fmt.Printf("broker: %s\n", first)
}

func read(name string) string {
	b, err := os.ReadFile(name)
	if err != nil || len(b) == 0 {
		return "unknown"
	}
	return string(b)
}

// procField finds the first "key : value" line.
func procField(name, key string) string {
	for line := range strings.SplitSeq(read(name), "\n") {
		if k, v, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(k) == key {
			return strings.TrimSpace(v)
		}
	}
	return "unknown " + key
}

func filesystem(dir string) string {
	out, err := exec.Command("findmnt", "-no", "FSTYPE,SOURCE", "-T", dir).Output()
	if err != nil {
		return "unknown filesystem"
	}
	return strings.Join(strings.Fields(string(out)), " on ")
}

// syncTimes tells how long the disk takes to make 4 KiB durable.
func syncTimes(dir string) string {
	f, err := os.Create(filepath.Join(dir, "sync"))
	if err != nil {
		return err.Error()
	}
	defer os.Remove(f.Name())
	defer f.Close()
	var took []time.Duration
	block := make([]byte, 4096)
	for range 100 {
		begun := time.Now()
		if _, err := f.Write(block); err != nil {
			return err.Error()
		}
		if err := f.Sync(); err != nil {
			return err.Error()
		}
		took = append(took, time.Since(begun))
	}
	return "a durable write of 4 KiB takes " + spread(took)
}

// spread prints the median and the 99th percentile.
func spread(d []time.Duration) string {
	slices.Sort(d)
	at := func(q float64) time.Duration { return d[min(len(d)-1, int(q*float64(len(d))))] }
	return fmt.Sprintf("%s at the median, %s at the 99th percentile (%d)", short(at(0.5)), short(at(0.99)), len(d))
}

func short(d time.Duration) time.Duration {
	if d < time.Millisecond {
		return d.Round(time.Microsecond)
	}
	return d.Round(100 * time.Microsecond)
}
