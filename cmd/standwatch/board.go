package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"standwatch/daemon/board"
	"standwatch/daemon/people"
	"standwatch/daemon/web"
)

type boardCommand struct {
	Config   string `placeholder:"FILE" help:"The board's file."`
	Password bool   `help:"Read a password from standard input and write the line for password_file; nothing else."`
	Debug    bool   `help:"Log more."`
}

// Run shows the boxes until it is told to stop.
func (c boardCommand) Run(ctx context.Context, o output) error {
	if c.Password {
		return hashPassword(ctx, os.Stdin, o)
	}
	if c.Config == "" {
		return usagef("give --config BOARD.yaml, or --password to hash one")
	}
	conf, errs := board.Load(c.Config)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	log := logger(o.err, c.Debug)
	pages := conf.Pages
	password, err := readPassword(pages.PasswordFile)
	if err != nil {
		return err
	}
	b, err := board.New(conf, log)
	if err != nil {
		return err
	}
	ln, err := net.Listen("tcp", pages.Listen)
	if err != nil {
		return fmt.Errorf("the board cannot be served at %s: %w; set board: {listen: ...} to a free port", pages.Listen, err)
	}
	scheme, serve := "http", web.Serve
	if pages.Certificate != "" {
		own := &web.Supplied{Certificate: pages.Certificate, Key: pages.Key}
		if _, err := own.At(time.Now()); err != nil {
			return errors.Join(err, ln.Close())
		}
		if why := own.Doubt(time.Now(), pages.OwnNames()); why != nil {
			log.Warn("board", "certificate", why)
		}
		c := &tls.Config{MinVersion: tls.VersionTLS12,
			GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return own.At(time.Now()) }}
		scheme, serve = "https", func(ctx context.Context, ln net.Listener, h http.Handler, log *slog.Logger) error {
			return web.ServeTLS(ctx, ln, c, h, log)
		}
	}
	log.Info("board", "brokers", len(conf.Brokers), "pages", scheme+"://"+ln.Addr().String())
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	heard := make(chan error, 1)
	go func() { heard <- b.Run(ctx) }()
	err = serve(ctx, ln, web.NewBoard(pages, b, password, web.WithLog(log)), log)
	stop()
	return errors.Join(err, <-heard)
}

// readPassword takes the hashed line of a file; nil where none is named.
func readPassword(file string) (*web.Password, error) {
	if file == "" {
		return nil, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("password_file: %w", err)
	}
	p, err := people.NewAlone(strings.TrimSpace(string(text)))
	if err != nil {
		return nil, fmt.Errorf("password_file %s: %w", file, err)
	}
	return p, nil
}

// hashPassword writes what a password_file holds. The password comes on
// standard input: on the command line others on the machine would see it.
func hashPassword(ctx context.Context, in io.Reader, o output) error {
	if f, ok := in.(*os.File); ok {
		if st, err := f.Stat(); err == nil && st.Mode()&os.ModeCharDevice != 0 {
			fmt.Fprintln(o.err, "Write the password and press return. It shows on the screen.")
		}
	}
	line, err := bufio.NewReader(io.LimitReader(in, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	kept, err := people.HashAlone(ctx, strings.TrimRight(line, "\r\n"))
	if err != nil {
		return err
	}
	fmt.Fprintln(o.out, kept)
	return nil
}
