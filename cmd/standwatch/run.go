package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"

	"standwatch/daemon"
	"standwatch/daemon/clock"
	"standwatch/daemon/web"
)

type runCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The site file."`
	Data   string `placeholder:"DIR" help:"The journal's folder, instead of the site file's."`
	Debug  bool   `help:"Log more."`
}

// Run watches the site until it is told to stop.
func (c runCommand) Run(ctx context.Context, o output) (err error) {
	site, errs := daemon.Load(c.Config)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	log := logger(o.err, c.Debug)
	systemd, err := daemon.Systemd(os.Getenv, os.Getpid())
	if err != nil {
		return err
	}
	box, err := daemon.Open(ctx, site, daemon.Setup{Data: c.Data, Version: version(), Log: log, Supervisor: systemd})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, box.Close()) }()
	ln, err := net.Listen("tcp", site.Web.Local)
	if err != nil {
		return fmt.Errorf("the pages cannot be served at %s: %w; set web: {local: ...} to a free port of this machine", site.Web.Local, err)
	}
	if err := tellUnclaimed(ctx, o.err, box, ln.Addr()); err != nil {
		return err
	}
	log.Info("watching", "site", site.Name, "points", len(site.Points), "pages", "http://"+ln.Addr().String())
	return serve(ctx, site, box, ln, log, box.Run)
}

// tellUnclaimed says on the console how a box that belongs to nobody is
// claimed. The code counts once; who reads the box's console holds the box.
func tellUnclaimed(ctx context.Context, w io.Writer, box *daemon.Box, at net.Addr) error {
	if box.People.Claimed() {
		return nil
	}
	code, err := box.People.Code(ctx)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "This box belongs to nobody yet. Claim it at http://%s/claim with its code:\n\n       %s\n\n", at, code)
	return err
}

// serve runs the screens, on this machine and at the site network's door,
// beside work, and stops all when one ends.
func serve(ctx context.Context, site *daemon.Site, box *daemon.Box, ln net.Listener, log *slog.Logger, work func(context.Context) error) error {
	door := &web.Door{Config: site.Web, Box: site.Box.Name, Dir: box.Dir, Built: clock.Built(), People: box.People, Log: log}
	h := web.New(site.Web, box, web.WithLinks(box.AckLinks()), web.WithKeeper(box.Rota()), web.WithMetrics(box.Metrics()), web.WithLog(log),
		web.WithPeople(box.People), web.WithDoor(door), web.WithPhones(box.Phones()), web.WithPapers(box.Papers(maker())), web.WithCopies(box.Copies(maker())),
		web.WithVisits(box.Visits()))
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	beside := []func() error{
		func() error { return web.Serve(ctx, ln, h, log) },
		func() error { return door.Run(ctx, h) },
		func() error { _ = box.People.Run(ctx, box.TellAccess); return nil }, // it ends with ctx
	}
	ended := make(chan error, len(beside))
	for _, run := range beside {
		go func() {
			err := run()
			if err != nil {
				stop(err)
			}
			ended <- err
		}()
	}
	err := work(ctx)
	stop(nil)
	for range beside {
		err = errors.Join(err, <-ended)
	}
	return err
}

func logger(w io.Writer, debug bool) *slog.Logger {
	level := slog.LevelInfo
	if debug {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}
