package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"

	"standwatch/daemon"
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
	box, err := daemon.Open(ctx, site, daemon.Setup{Data: c.Data, Version: version(), Log: log})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, box.Close()) }()
	ln, err := net.Listen("tcp", site.Web.Listen)
	if err != nil {
		return fmt.Errorf("the pages cannot be served at %s: %w; set web: {listen: ...} to a free port", site.Web.Listen, err)
	}
	log.Info("watching", "site", site.Name, "points", len(site.Points), "pages", "http://"+ln.Addr().String())
	return serve(ctx, site, box, ln, log, box.Run)
}

// serve runs the screens beside work, and stops both when one ends.
func serve(ctx context.Context, site *daemon.Site, box *daemon.Box, ln net.Listener, log *slog.Logger, work func(context.Context) error) error {
	h := web.New(site.Web, box, web.WithAck(box.Acknowledges), web.WithMetrics(box.Metrics()), web.WithLog(log))
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	served := make(chan error, 1)
	go func() {
		err := web.Serve(ctx, ln, h, log)
		if err != nil {
			stop(err)
		}
		served <- err
	}()
	err := work(ctx)
	stop(nil)
	return errors.Join(err, <-served)
}

func logger(w io.Writer, debug bool) *slog.Logger {
	level := slog.LevelInfo
	if debug {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}
