package chips

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Indicator is a weighing indicator on a pseudo-terminal that sends its weight
// five times a second, as many do: ST,GS,+0012.345kg and a line's end (common practice).
type Indicator struct {
	lock   sync.Mutex
	link   string // where its port shows, by identity
	master *os.File
	line   string // what it sends; empty: nothing
	noise  bool
}

// NewIndicator makes one whose port shows at link.
func NewIndicator(link string) *Indicator { return &Indicator{link: link} }

// Plug makes the port, under a new number, as an adapter that is plugged in again gets one.
func (i *Indicator) Plug() error {
	m, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return err
	}
	if err := unix.IoctlSetPointerInt(int(m.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		return err
	}
	n, err := unix.IoctlGetInt(int(m.Fd()), unix.TIOCGPTN)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(i.link), 0o755); err != nil {
		return err
	}
	_ = os.Remove(i.link) // perhaps there is none
	if err := os.Symlink(fmt.Sprintf("/dev/pts/%d", n), i.link); err != nil {
		return err
	}
	i.lock.Lock()
	i.master = m
	i.lock.Unlock()
	return nil
}

// Unplug takes the port away.
func (i *Indicator) Unplug() {
	i.lock.Lock()
	defer i.lock.Unlock()
	if i.master != nil {
		_ = i.master.Close()
		_ = os.Remove(i.link)
		i.master = nil
	}
}

// Say sets what is sent from now on, a line without its end; nothing for silence.
func (i *Indicator) Say(line string) {
	i.lock.Lock()
	defer i.lock.Unlock()
	i.line, i.noise = line, false
}

// Noise makes it send what a bad line makes of a weight.
func (i *Indicator) Noise() {
	i.lock.Lock()
	defer i.lock.Unlock()
	i.noise = true
}

// Run sends until the machine ends.
func (i *Indicator) Run() {
	for n := byte(0); ; n++ {
		time.Sleep(200 * time.Millisecond)
		i.lock.Lock()
		out := []byte(i.line + "\r\n")
		switch {
		case i.noise:
			for k := range out {
				out[k] ^= byte(k)*29 + n*7 | 0x80
			}
		case i.line == "":
			out = nil
		}
		if i.master != nil && out != nil {
			// A port that nobody reads fills up; what is not taken is lost, as on a wire.
			_ = unix.SetNonblock(int(i.master.Fd()), true)
			_, _ = unix.Write(int(i.master.Fd()), out)
		}
		i.lock.Unlock()
	}
}
