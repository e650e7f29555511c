package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/broker"
	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/daemon/simulate"
)

type demoCommand struct {
	Broker   string  `placeholder:"URL" help:"A broker elsewhere (tcp://HOST:PORT) instead of the one within the box."`
	Scenario string  `default:"${scenario}" help:"What goes wrong: ${scenarios}."`
	Speed    float64 `default:"200" help:"Site time over real time; 1 is real time, 0 as fast as it goes."`
	Seed     uint64  `default:"1" help:"The same seed gives the same night and the same flags."`
	Once     bool    `help:"End when the night is over, with a summary."`
	Listen   string  `default:"127.0.0.1:8090" help:"Where the pages are; the next free port is taken where it is busy."`
	Data     string  `placeholder:"DIR" help:"Keep the night in this new folder, its journal in data beneath; else it is thrown away."`
	Debug    bool    `help:"Log more."`
}

// Run plays a night.
func (c demoCommand) Run(ctx context.Context, o output) (err error) {
	night, err := simulate.New(c.Seed, c.Scenario)
	if err != nil {
		return usageError{err}
	}
	if !(c.Speed >= 0 && c.Speed <= math.MaxFloat32) { // not NaN, nor without end
		return usagef("--speed: %v is no speed; 1 is real time, 0 as fast as it goes", c.Speed)
	}
	dir, remove, err := demoFolder(c.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()
	file, err := simulate.WriteSite(dir, c.Broker)
	if err != nil {
		return err
	}
	site, errs := daemon.Load(file)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	player := simulate.Player{Broker: c.Broker, Speed: c.Speed}
	for name, b := range site.Brokers {
		player.User, player.Password = "instruments", rand.Text()
		b.Users = append(b.Users, broker.User{Name: player.User, Password: player.Password, Publish: []string{"quayside/#"}})
		site.Brokers[name] = b
	}
	ln, err := listen(c.Listen)
	if err != nil {
		return err
	}
	site.Web.Listen, site.Web.Local = ln.Addr().String(), ln.Addr().String()
	log := logger(o.err, c.Debug)
	if !c.Debug {
		log = slog.New(slog.NewTextHandler(o.err, &slog.HandlerOptions{Level: slog.LevelWarn}))
	}
	if c.Speed == 0 {
		site.Box.Commit = 20 * time.Millisecond // the player waits for commits, and nothing else
	}
	own := &clock.Own{Source: "simulated"}
	own.Stamp(night.Begin().UnixMilli())
	box, err := daemon.Open(ctx, site, daemon.Setup{Data: filepath.Join(dir, "data"), Version: version(), Demo: own, Log: log})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, box.Close()) }()
	for _, b := range box.Brokers {
		player.Broker = "tcp://" + b.Address()
	}
	player.Tell, player.Kept, player.Log = box.Tell, box.Kept, log

	code, err := box.People.Code(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(o.out, "%s, a site that does not exist. Tonight %s.\nOpen http://%s in a browser. Ctrl-C ends it.\n", site.Name, night.Scenario().Doc, ln.Addr())
	fmt.Fprintf(o.out, "To try who may do what, claim the box at http://%s/claim with its code, %s.\n\n", ln.Addr(), code)
	if c.Data != "" {
		fmt.Fprintf(o.out, "The night is kept: standwatch record --data %s\n\n", filepath.Join(dir, "data"))
	}
	d := demo{c, o, site, box}
	return serve(ctx, site, box, ln, log, func(ctx context.Context) error { return d.play(ctx, player, night) })
}

type demo struct {
	demoCommand
	o    output
	site *daemon.Site
	box  *daemon.Box
}

// play runs the box and the night beside it, and writes findings as they come.
func (d demo) play(ctx context.Context, player simulate.Player, night *simulate.Night) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ran := make(chan error, 1)
	go func() { ran <- d.box.Run(ctx); stop() }()
	printed := make(chan int64, 1)
	printCtx, stopPrinting := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPrinting()
	go func() { printed <- d.print(printCtx) }()

	begun := time.Now()
	late := time.AfterFunc(10*time.Second, func() { // a night that cannot begin is not to look like a quiet one
		fmt.Fprintf(d.o.err, "The night has not begun: the broker at %s does not answer. Is it running, and is its address right (--broker)? It is tried on; Ctrl-C ends it.\n", player.Broker)
	})
	err := d.box.Ready(ctx)
	late.Stop()
	if err == nil {
		err = player.Play(ctx, night)
	}
	if err == nil && !d.Once {
		d.box.NightIsOver()
		fmt.Fprintf(d.o.out, "\nThe night is over. The pages stay until Ctrl-C.\n")
		<-ctx.Done()
	}
	stop()
	if rerr := <-ran; rerr != nil {
		err = rerr
	}
	stopPrinting()
	findings := <-printed
	if errors.Is(err, context.Canceled) {
		err = nil
	}
	if err == nil && d.Once {
		now := d.box.Now()
		fmt.Fprintf(d.o.out, "\n%s, seed %d: %d entries kept, %d findings, %s open, in %s.\n",
			d.Scenario, d.Seed, now.Kept, findings, counted(len(now.Flags), "flag"), time.Since(begun).Round(time.Second))
	}
	return err
}

// print writes each finding as it is stored, until ctx ends; then the rest.
func (d demo) print(ctx context.Context) (printed int64) {
	after := int64(0)
	for {
		changed := d.box.Journal.Changed()
		for {
			page, err := d.box.Journal.Findings(context.WithoutCancel(ctx), after, 100)
			if err != nil || len(page) == 0 {
				break
			}
			d.write(d.o.out, page)
			after, printed = page[len(page)-1].ID, printed+int64(len(page))
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return printed
		}
	}
}

func (d demo) write(w io.Writer, page []journal.Stored) {
	anchors, err := d.box.Journal.Anchors(context.Background())
	if err != nil {
		return
	}
	for _, s := range page {
		ms, _ := anchors.Wall(s.At)
		fmt.Fprintln(w, sentence(s.Finding, time.UnixMilli(ms).In(d.site.Zone)))
	}
}

// demoFolder is where a demo keeps its journal: a new folder that is given, or
// one that goes when the demo ends.
func demoFolder(given string) (dir string, remove func() error, err error) {
	if given == "" {
		dir, err = os.MkdirTemp("", "standwatch-demo-")
		return dir, func() error { return os.RemoveAll(dir) }, err
	}
	if found, _ := os.ReadDir(given); len(found) > 0 {
		return "", nil, fmt.Errorf("%s is not empty; give a new folder, so that two nights do not mix", given)
	}
	if err := os.MkdirAll(given, 0o750); err != nil {
		return "", nil, fmt.Errorf("%s cannot be made: %w; give --data a new folder where you may write", given, reason(err))
	}
	return given, func() error { return nil }, nil
}

// listen takes the address, or the next free port of the same host.
func listen(address string) (net.Listener, error) {
	if host, _, err := net.SplitHostPort(address); err == nil && host != "localhost" {
		if ip, err := netip.ParseAddr(host); err != nil || !ip.IsLoopback() {
			return nil, usagef("--listen: %q lies beyond this machine, and the demo asks nobody who he is; write 127.0.0.1:8090", address)
		}
	}
	ln, err := net.Listen("tcp", address)
	if err == nil {
		return ln, nil
	}
	host, _, split := net.SplitHostPort(address)
	if split != nil {
		return nil, usagef("--listen: %q is not an address with a port; write 127.0.0.1:8090", address)
	}
	if ln, again := net.Listen("tcp", net.JoinHostPort(host, "0")); again == nil {
		return ln, nil
	}
	return nil, fmt.Errorf("the pages cannot be served at %s: %w", address, err)
}

// scenarios lists the scenarios for the help, and the default.
func scenarios() (all, first string) {
	var names []string
	for _, s := range simulate.Scenarios() {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", "), simulate.DefaultScenario
}
