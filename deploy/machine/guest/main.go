// Guest is the first and only program of the rig's virtual machine
// beside the product: it mounts what a box has, loads the kernel's drivers, plays the chips,
// starts `standwatch run` and holds what that says against what it did to the chips.
// deploy/rig builds it and boots it.
package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

func main() {
	begun := time.Now()
	err := run()
	if err != nil {
		fmt.Println("rig:", err)
	}
	fmt.Printf("rig: ended after %.1f s of the machine's own time\n", time.Since(begun).Seconds())
	if err == nil {
		fmt.Println("rig: passed") // the word deploy/rig waits for
	}
	if os.Getpid() == 1 {
		syscall.Sync()
		_ = syscall.Reboot(syscall.LINUX_REBOOT_CMD_POWER_OFF)
		select {}
	}
	if err != nil {
		os.Exit(1)
	}
}

func run() error {
	if err := prepare(); err != nil {
		return fmt.Errorf("the machine cannot be prepared: %w", err)
	}
	if os.Getenv("rig") == "cpu" { // from the kernel's command line
		return cost()
	}
	return drivers()
}

// prepare makes of a bare kernel what the product finds on a box.
func prepare() error {
	for _, m := range []struct{ kind, at string }{
		{"devtmpfs", "/dev"}, {"proc", "/proc"}, {"sysfs", "/sys"}, {"tmpfs", "/tmp"}, {"devpts", "/dev/pts"},
	} {
		if err := os.MkdirAll(m.at, 0o755); err != nil {
			return err
		}
		if err := syscall.Mount(m.kind, m.at, m.kind, 0, ""); err != nil && !errors.Is(err, syscall.EBUSY) {
			return fmt.Errorf("mount %s: %w", m.at, err)
		}
	}
	if err := loopback(); err != nil {
		return fmt.Errorf("the loopback network: %w", err)
	}
	// In the order they need each other; the packer has numbered them.
	modules, err := filepath.Glob("/modules/*.ko")
	if err != nil || len(modules) == 0 {
		return errors.New("no modules in /modules")
	}
	for _, name := range modules {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		parameters := ""
		if strings.HasSuffix(name, "wire.ko") {
			parameters = "timeout=1 slave_ttl=2" // seconds between searches, and searches until a probe counts as gone
		}
		err = unix.FinitModule(int(f.Fd()), parameters, 0)
		f.Close()
		if err != nil {
			return fmt.Errorf("module %s: %w", name, err)
		}
	}
	return nil
}

// loopback switches the interface lo on.
func loopback() error {
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	r, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(s, unix.SIOCSIFFLAGS, r)
}
