package daemon

import (
	"fmt"
	"net"
	"strconv"
	"time"
)

// Supervisor is who started the program and starts it again: systemd, on a box.
// The zero value is nobody.
type Supervisor struct {
	Tell     func(state string) // as sd_notify(3) has it: READY=1, WATCHDOG=1, STOPPING=1
	Watchdog time.Duration      // it restarts a program that has said nothing for so long; 0: it does not
}

// Systemd returns how to tell systemd of a unit with Type=notify: by a datagram
// to the socket that the environment names (sd_notify(3), sd_watchdog_enabled(3)).
func Systemd(getenv func(string) string, pid int) (Supervisor, error) {
	address := getenv("NOTIFY_SOCKET")
	if address == "" { // started by hand
		return Supervisor{}, nil
	}
	// A name that begins with @ is an abstract one, for systemd and for Go.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: address, Net: "unixgram"})
	if err != nil {
		return Supervisor{}, fmt.Errorf("systemd waits for word at %s, which cannot be reached: %w; start by the service unit, or without NOTIFY_SOCKET", address, err)
	}
	s := Supervisor{Tell: func(state string) {
		_, _ = conn.Write([]byte(state)) // who does not hear it restarts the program, and says so
	}}
	if of := getenv("WATCHDOG_PID"); of != "" && of != strconv.Itoa(pid) { // meant for another process
		return s, nil
	}
	if usec, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64); err == nil && usec > 0 {
		s.Watchdog = time.Duration(usec) * time.Microsecond
	}
	return s, nil
}

func (s Supervisor) tell(state string) {
	if s.Tell != nil {
		s.Tell(state)
	}
}

// feed tells the watchdog that readings are being kept, four times as often as
// it wants to hear it. Only the loop calls it: a program that runs and keeps
// nothing is to be restarted.
func (l *loop) feed() {
	s := l.d.parts.Supervisor
	if s.Watchdog == 0 || time.Since(l.fed) < s.Watchdog/4 {
		return
	}
	l.fed = time.Now()
	s.tell("WATCHDOG=1")
}
