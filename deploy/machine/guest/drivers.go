package main

import (
	_ "embed"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

//go:embed site.yaml
var site []byte

// drivers runs the product on the wired site and tries every driver.
func drivers() error {
	board, lines, devices, err := bench()
	if err != nil {
		return err
	}
	control, err := os.OpenFile("/dev/rigbus", os.O_RDWR, 0)
	if err != nil {
		return err
	}
	go func() { fmt.Println("rig: the buses have ended:", board.Serve(control)) }()
	begun := time.Now()
	box, err := start(site)
	if err != nil {
		return err
	}
	t := &trial{devices: devices}
	if err = t.begin(begun); err == nil {
		err = outputs(board, lines)
		err = errors.Join(err, t.run(begun))
	}
	wrong := t.table()
	if stop := box.stop(); stop != nil {
		err = errors.Join(err, stop)
	}
	if wrong > 0 {
		err = errors.Join(err, fmt.Errorf("%d rows are wrong", wrong))
	}
	if err != nil {
		box.tail()
	}
	return err
}

const logFile = "/tmp/log"

// box is the product, running.
type box struct{ *exec.Cmd }

func start(site []byte) (*box, error) {
	if err := os.WriteFile("/tmp/site.yaml", site, 0o644); err != nil {
		return nil, err
	}
	log, err := os.Create(logFile)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	b := &box{exec.Command("/bin/standwatch", "run", "--config", "/tmp/site.yaml", "--data", "/tmp/data")}
	b.Stdout, b.Stderr = log, log
	return b, b.Start()
}

// stop ends the product in good order: nothing here may hold it up.
func (b *box) stop() error {
	if err := b.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- b.Wait() }()
	select {
	case err := <-ended:
		if err != nil {
			return fmt.Errorf("standwatch run ended with: %w", err)
		}
		return nil
	case <-time.After(15 * time.Second):
		return errors.New("standwatch run did not stop within 15 s")
	}
}

// tail prints the end of the product's log.
func (b *box) tail() {
	text, err := os.ReadFile(logFile)
	if err != nil {
		return
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	fmt.Println("the end of the box's log:")
	for _, l := range lines[max(0, len(lines)-25):] {
		fmt.Println("   ", l)
	}
}
