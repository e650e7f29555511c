package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// box is one standwatch with a folder, a site file and a port of its own.
type box struct {
	dir, file string
	port      string
	proc      *child
}

const points = 200

// newBox writes a site of 200 thermometers that come by MQTT. The payload is
// JSON or SenML; more is what else the site file says.
func newBox(b bench, broker, payload, more string) (*box, error) {
	dir, err := os.MkdirTemp(b.dir, "box")
	if err != nil {
		return nil, err
	}
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	var s strings.Builder
	fmt.Fprintf(&s, `site: {name: Bench, timezone: UTC}
system: {refrigerant: R-410A}
box: {name: bench, data: data, clock: trusted}
web: {listen: "127.0.0.1:%s"}
%s
brokers:
  - {name: bench, url: "%s"}
points:
`, port, more, broker)
	for i := range points {
		fmt.Fprintf(&s, "  - {name: %s, measures: temperature, unit: C, every: 1s, silent_after: 1h, mqtt: {broker: bench, %s}}\n",
			pointName(i), strings.ReplaceAll(payload, "POINT", pointName(i)))
	}
	x := &box{dir: dir, file: filepath.Join(dir, "site.yaml"), port: port}
	return x, os.WriteFile(x.file, []byte(s.String()), 0o600)
}

func pointName(i int) string { return fmt.Sprintf("t%03d", i%points) }

// Payloads of the two kinds.
const (
	oneReading = `topic: bench/POINT, format: json, value: /celsius, time: /t, seq: /seq, battery: /battery`
	pack       = `topic: bench/pack, format: senml, name: POINT`
)

func (x *box) start(b bench) error {
	var err error
	x.proc, err = startChild(filepath.Join(x.dir, "log"), b.program, "run", "--config", x.file)
	return err
}

// close ends what is still running and takes the folder away.
func (x *box) close() {
	if x.proc != nil && x.proc.cmd.ProcessState == nil {
		_ = x.proc.cmd.Process.Kill() // a measure has failed
		_ = x.proc.cmd.Wait()
	}
	_ = os.RemoveAll(x.dir) // what stays goes with the bench's own folder
}

// reader opens the box's journal, waiting until it is there.
func (x *box) reader(ctx context.Context) (*journal.Reader, error) {
	for {
		r, err := journal.OpenReader(ctx, filepath.Join(x.dir, "data"))
		if err == nil {
			return r, nil
		}
		if ctx.Err() != nil {
			return nil, err
		}
		time.Sleep(time.Millisecond)
	}
}

// reaches waits until the journal holds an entry with this number.
func reaches(ctx context.Context, r *journal.Reader, seq uint64) error {
	for {
		last, err := r.Last(ctx)
		if err != nil {
			return err
		}
		if last >= seq {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the journal has %d entries of %d: %w", last, seq, ctx.Err())
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// measured tells whether the newest entry but marks is a reading.
func measured(ctx context.Context, r *journal.Reader) (bool, error) {
	for e, err := range r.Recent(ctx, 1) {
		if err != nil {
			return false, err
		}
		_, ok := e.Body.(*rules.Measured)
		return ok, nil
	}
	return false, nil
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }
